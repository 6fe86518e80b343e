// Works the sum out while the form is filled in; without this the button does it on the server.
(function () {
  "use strict";
  var source = document.getElementById("signup-data");
  var form = document.getElementById("signup");
  var line = document.getElementById("worked-line");
  if (!source || !form || !line) { return; }
  var data = JSON.parse(source.textContent);
  var button = document.getElementById("work");
  if (button) { button.hidden = true; }
  line.setAttribute("aria-live", "polite");

  function text(name) {
    var control = form.elements[name];
    return control && typeof control.value === "string" ? control.value.trim() : "";
  }

  // A number, null where nothing was typed, NaN where it is none.
  function number(name) {
    var typed = text(name).replace(/,(?=\d{3}(\D|$))/g, "");
    if (typed === "") { return null; }
    return /^\d*\.?\d+$|^\d+\.$/.test(typed) ? Number(typed) : NaN;
  }

  function fields() {
    var found = [];
    for (var place = 1; form.elements["field-" + place + "-field"]; place += 1) { found.push(place); }
    return found;
  }

  function isFilled(place) {
    return ["field", "zip", "acres", "grass_pct", "soil", "slope", "variety", "seeding_year"]
      .some(function (column) { return text("field-" + place + "-" + column) !== ""; });
  }

  function used() {
    var filled = fields().filter(isFilled);
    return filled.length ? filled : [1];
  }

  function harvestDays() {
    var days = number("harvest_days");
    if (days !== null) { return days; }
    var pace = number("acres_per_day");
    var acres = used().map(function (place) { return number("field-" + place + "-acres"); });
    if (!(pace > 0) || acres.some(function (one) { return !(one > 0); })) { return NaN; }
    return acres.reduce(function (sum, one) { return sum + one; }, 0) / pace;
  }

  function grass() {
    var shares = used().map(function (place) { return number("field-" + place + "-grass_pct") || 0; });
    return shares.reduce(function (sum, one) { return sum + one; }, 0) / shares.length;
  }

  function between(at, places, values) {
    for (var i = 1; i < places.length; i += 1) {
      if (at <= places[i]) {
        var part = (at - places[i - 1]) / (places[i] - places[i - 1]);
        return values[i - 1] + part * (values[i] - values[i - 1]);
      }
    }
    return values[values.length - 1];
  }

  function said(value, places) {
    var shown = value.toFixed(places);
    if (shown.indexOf(".") >= 0) { shown = shown.replace(/0+$/, "").replace(/\.$/, ""); }
    return shown.replace(".", data.decimal);
  }

  function isWithin(value, range) {
    return value === null || (value >= range[0] && value <= range[1]);
  }

  // Whatever the server would send back leaves no sum here either.
  function areInOrder(index) {
    var pace = number("acres_per_day");
    return isWithin(number("feed_target"), data.ranges.feed_target[index] || [1, 0]) &&
      isWithin(number("handling_loss"), data.ranges.handling_loss[index] || [1, 0]) &&
      (pace === null || (pace > 0 && pace <= 5000)) &&
      used().every(function (place) {
        var acres = number("field-" + place + "-acres");
        return (acres === null || (acres > 0 && acres <= 20000)) &&
          isWithin(number("field-" + place + "-grass_pct"), [0, 100]);
      });
  }

  function worked() {
    var index = text("index"), load = text("which_load");
    var feed = number("feed_target"), loss = number("handling_loss");
    if (!areInOrder(index)) { return ""; }
    if (feed === null) { feed = data.feed[text("animal_class") + "." + index]; }
    if (loss === null) { loss = data.loss[text("harvest_method") + "." + index]; }
    var days = harvestDays();
    var ok = [feed, loss, days].every(function (one) { return typeof one === "number" && isFinite(one); });
    if (!ok || !isWithin(number("harvest_days"), [0.25, 45]) || !data.line[index + "." + load]) { return ""; }
    var sign = data.falls[index] ? 1 : -1;
    var perDay = between(grass(), data.grass, data.change[index]);
    var ahead = data.share[load] * days * perDay;
    var count = said(days, 2);
    var values = {
      feed: said(feed, 2),
      loss: said(loss, 2),
      standing: said(feed + sign * loss, 2),
      days: (count === "1" ? data.days_one : data.days).replace("{count}", count),
      per_day: said(perDay, 2),
      ahead: said(ahead, 2),
      start: said(feed + sign * (loss + ahead), data.falls[index] ? 0 : 2)
    };
    return data.line[index + "." + load].replace(/\{(\w+)\}/g, function (whole, name) {
      return name in values ? values[name] : whole;
    });
  }

  // What stands behind a choice goes with the index: "Milking cows, RFV 150".
  function figures() {
    var index = text("index");
    Object.keys(data.figures).forEach(function (name) {
      var list = form.elements[name], known = data.figures[name][index];
      if (!list || !known) { return; }
      Array.prototype.forEach.call(list.options, function (option) {
        var label = option.getAttribute("data-label"), figure = known[option.value];
        if (label) { option.textContent = figure ? label + ", " + figure : label; }
      });
    });
  }

  function show() {
    figures();
    var now = worked() || line.getAttribute("data-waiting");
    if (line.textContent !== now) { line.textContent = now; }
  }

  form.addEventListener("input", show);
  form.addEventListener("change", show);
  show();
}());
