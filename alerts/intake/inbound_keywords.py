"""Texts and phrases that count as a whole: keywords, and the wordings of a wish to be left alone.

Without accents and capitals. The keywords by which people stop, start and ask for help are those of
47 CFR 64.1200(a)(10), of the CTIA's Messaging Principles and Best Practices (2023) and of the
gateways' defaults; the other wordings are common practice.
"""

from __future__ import annotations

import re


def _texts(said: str) -> frozenset[str]:
    return frozenset(text.strip() for text in said.split("|"))


def _words(said: str) -> frozenset[str]:
    return frozenset(said.split())


STOP_TEXTS = _texts(
    "stop|stopall|stop all|unsubscribe|cancel|end|quit|revoke|optout|opt out|opt me out|remove|"
    "remove me|arret|no mas|no more|alto|parar|pare|paren|cancelar|baja|dar de baja|darme de baja|"
    "detener|fin|ya no|basta|salir|terminar|leave me alone|delete me|unsub|stp|go away"
)
START_TEXTS = _texts(
    "start|unstop|resume|subscribe|restart|start again|alta|iniciar|reanudar|empezar|opt in|optin"
)
HELP_TEXTS = _texts("help|info|ayuda|informacion|help me|who is this|quien es|?")
START_LIKE_YES = _texts("yes|si")
"""START from who had stopped; other ways of saying yes only answer what was asked."""

YES_TEXTS = START_LIKE_YES | _texts(
    "y|yep|yeah|yea|yess|yup|sure|claro|confirm|confirmo|correct|correcto|agree|agreed|i agree|"
    "yes i agree|ok yes|yes sir|acepto|si acepto|si claro"
)
NO_TEXTS = _texts("no|n|nope|nah|wrong|undo|undo that|undo it|incorrecto|mal|not right")
DECLINED_TEXTS = _texts(
    "no thanks|no thank you|no thx|nah thanks|nope thanks|thanks no|no gracias|gracias no"
)
THANKS_TEXTS = _texts(
    "ok|okay|k|thanks|thank you|thx|got it|great|good|cool|perfect|will do|sounds good|gracias|"
    "muchas gracias|vale|bueno|listo|perfecto|de acuerdo"
)
POLITE = _words(
    "please pls plz kindly now thanks thank you hey hi sir porfavor por favor ahora just already ya"
)
MISSPELT_STOPS = ("stop", "stopall", "unsubscribe", "optout", "cancel", "quit", "parar", "cancelar")
"""Those that a text of one misspelt word may be read as."""

AGREES = _words(
    "yes yep yeah yea yess yup si sure agree agreed acepto accept confirm confirmo claro "
    "correct correcto"
)
DENIES = _words(
    "no not nope never dont didnt wasnt isnt wont cant stop who what why but nunca nadie quien "
    "que quit wrong"
)

_SERVICE = (
    r"(?:texts?|texting|text messages?|messages?|messaging|sms|msgs?|alerts?|notifications?|spam"
    r"|lists?|service|program|system|subscription)"
)
_OF = r"(?:all |the |these |this |those |your |my |any |more |of )*"
_END = r"(?: (?:please|pls|now|anymore|any more|already|thanks|right now|today|for good))*(?= ,|$)"
_ME = r"(?:me|us|my (?:number|name|phone)|this (?:number|phone))"

OPT_OUT = re.compile(
    r"\b(?:"
    r"opt(?:ing|ed)? (?:me )?out"
    rf"|(?:stop|quit|cease|end|no more) {_OF}(?:with the )?(?:\w+ )?"
    r"(?:texts?|texting|messages?|messaging|sms|msgs?|alerts?|sending|spam|contacting|bothering)\b"
    r"|(?:do not|dont|never) (?:ever )?(?:text|message|contact|sms|bother) (?:me|this|us)"
    r"|(?:do not|dont) (?:want|need) (?:any |more |any more |anymore |these |your |to get )+"
    r"(?:\w+ )?(?:texts?|messages?|alerts?|sms)"
    r"|cut me off"
    r"|cut (?:off )?(?:(?:the|these|those|your|my) )+(?:\w+ )?(?:texts|messages|msgs|sms|alerts)"
    r"|cut off (?:all )?(?:texts|messages|msgs|sms|alerts)"
    r"|(?:revoke|withdraw) (?:my |the )?consent|unsubscribe|wrong number"
    rf"|(?:take|get|drop|remove|delete) {_ME}(?: off| out)?"
    rf"(?:{_END}|(?: off| from| of| out)* {_OF}(?:\w+ )?{_SERVICE}\b"
    rf"|(?: off| from| of| out)+ (?:this|that|here|it){_END})"
    rf"|cancel {_OF}{_SERVICE}"
    r"|no mas (?:mensajes|textos|avisos|sms)|no (?:quiero|deseo) (?:recibir|mensajes|sms|avisos)"
    r"|no (?:quiero|deseo) mas(?: (?:mensajes|textos|avisos|sms)\b|(?= ,|$))"
    r"|no me (?:mandes?|manden|envies?|envien|escriban|escribas)|dej(?:e|en|a) de (?:mandar|enviar"
    r"|escribir|molestar)\w*|ya no me (?:mand|envi|escrib|molest|text)\w+|dar(?:me)? de baja"
    r"|ya no quiero(?: (?:mas|esto|recibir|estos|los|mensajes|textos|avisos)\b|(?= ,|$))"
    r"|(?:cancelar|cancelen?|parar|paren?|detener|quitar|corten) (?:los |mis |estos |sus )*"
    r"(?:mensajes|textos|avisos|sms)|(?:quit|borr|elimin|saqu)e(?:n)?me\b"
    r"|no quiero que me (?:mand|envi|escrib|molest)\w+|dej[ea]n?me en paz|numero equivocado"
    r"|not interested|i (?:do not|dont) want (?:this|these|it|them)(?: any ?more)?(?= ,|$)"
    r")"
)
"""Wording that anybody understands as a wish not to be texted any more."""

STOP_WHOLE = re.compile(
    r"(?:(?:ok|hey|please|pls|can you|could you|would you|will you|just|i|i want (?:you )?to|"
    r"i (?:wish|would like) to|i would|i do|lets|now|no|yes) )*"
    r"(?:(?:stop|quit|unsubscribe|revoke|end|cease)(?: (?:that|it|stop|quit|me|i said|i mean it))*"
    r"|cancel)(?: (?:this|all|these|everything|with this))*" + _END
)
"""The same where nothing else is said."""

SILENT = re.compile(
    r"(?:liked|loved|disliked|laughed at|emphasi[sz]ed|questioned|reacted\b.{0,20}\bto"
    r"|le (?:gusto|encanto)|me (?:gusto|gusta|encanto|encanta)) +[\"'«]"
)
"""A phone's mark on one of our own texts, which it repeats: nothing the person wrote."""

OFF_HOLD = re.compile(
    r"(?:(?:please|pls|take|get|me|us|im|we are|were|is|farm|the|go) )*"
    r"(?:off (?:of )?|stop |end |cancel |no more )(?:the )?(?:hold|wait|waiting|pause)" + _END
)
"""The end of a WAIT, as a whole text."""

AFTER_ALL = re.compile(
    r"(?:(?:stop|end|cancel|forget|no more|ya no (?:quiero|voy a)|no quiero)(?: the| la| mas)* )?"
    r"(?:wait|waiting|hold|hold on|pause|esper[aeo]|esperar|sorry|oops|perdon|actually)"
    r"(?:\s*[,.;:!-]+\s*|\s+(?=(?:we|i|ya)\b))"
)
"""Said before something else and no part of it: 'wait, we cut north already'."""

CORRECTS = re.compile(
    r"(?:(?:oops|sorry|perdon|no)[\s,.!]+)*(?:(?:thats |that was |that is |its |i had the )?"
    r"(?:the )?wrong|my (?:bad|mistake)|mistake|i made a mistake|incorrect|me equivoque|error"
    r"|fue un error)(?: (?:that|date|day|field|one|de|fecha|dia|campo))*(?:[\s,.;:!-]+|$)"
    r"|(?:no|nope|nah)(?:\s*[,.;:!-]+\s*|\s+(?=(?:it|its|that|thats|this|was|yesterday|"
    r"not yet|\d+[/-]\d)\b))"
)
"""Begins a text that says what was recorded last is wrong."""

ASKS = re.compile(
    r"(?:so |and |hey |ok |but |pero |y )*(?:(?:should|can|could|may|shall|do|does|did|have|had|are"
    r"|is|was|would|will|must) (?:we|i|it|you|they|the|that|this|there|north|south|east|west)\b"
    r"|has (?:it|the|north|south|anyone|anybody|someone)\b|what (?:if|about|happens)"
    r"|how (?:about|long|much)|(?:que pasa |y )si "
    r"|(?:should|can|puedo|podemos|debo|debemos|deberia|deberiamos)\b)"
)
"""Begins a question without its mark."""

SPANISH = _words(
    "alto parar baja ayuda corte cortamos empezamos cuando hola espera gracias por que mas "
    "enlace norte mensajes quien es cortado todo ayer hoy campo esperar hace dias sin"
)
"""Words that tell a text in Spanish from one in English."""
