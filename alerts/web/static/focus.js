// After a form was sent, whoever cannot see the page is led to what came of it: the control that
// the page names, else what is wrong, else what was done. Without this the page stands at its top.
(function () {
  "use strict";
  var named = document.querySelector("[autofocus]");
  var wrong = document.querySelector(".errors, .warn[role=alert]");
  var done = window.location.hash ? null : document.querySelector(".notice[role=status]");
  var goal = named || wrong || done;
  if (!goal) { return; }
  if (!named) { goal.setAttribute("tabindex", "-1"); }
  goal.focus();
  goal.scrollIntoView({ block: named ? "center" : "nearest" });
}());
