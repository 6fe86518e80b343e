"""Words people text with, English and Spanish, and what they mean here.

Without accents and capitals. All of it is common practice. Whatever is not listed is a *loose*
word: part of a name, perhaps, and where a name stands already, more than is understood.
"""

from __future__ import annotations

from enum import StrEnum


class Sense(StrEnum):
    """What a word asks for, or tells."""

    STOP = "stop"
    START = "start"
    HELP = "help"
    LINK = "link"
    WHEN = "when"
    WHY = "why"
    WAIT = "wait"
    WAITED = "waited"  # or waiting: told, not asked for
    CUT = "cut"  # made or being made; in English the command, too
    TO_CUT = "to cut"  # said of a cut, and not that it was made
    BEGAN = "began"
    ENDED = "ended"
    ALL = "all"
    EXCEPT = "except"
    AND = "and"
    NOT = "not"
    REMOVE = "remove"  # somebody from a list, or what was recorded last
    UNDO = "undo"
    PLAN = "plan"
    MAYBE = "maybe"
    TO = "to"
    TODAY = "today"
    YESTERDAY = "yesterday"
    DAY_BEFORE = "day before yesterday"
    TOMORROW = "tomorrow"
    NIGHT = "night"
    LAST = "last"
    AGO = "ago"
    SINCE = "since"  # Spanish 'hace': so long ago
    DAY = "day"
    WEEK = "week"
    VAGUE = "vague"  # some day, or every year
    CM = "cm"
    AREA = "area"  # the number before it is of acres
    RANGE = "range"  # 'between', or 24-26
    COUNT = "count"  # the number before it is of places, not of inches
    SHARE = "share"  # 50 %
    LAB = "lab"  # a laboratory's index
    TEXTS = "texts"  # the messages themselves
    WEATHER = "weather"
    BREAK = "break"  # a comma or a full stop
    INERT = "inert"  # changes nothing in what is said
    FILLER = "filler"  # no part of a name, but may change what is said


def _table(**lists: str) -> dict[str, Sense]:
    return {word: Sense[name] for name, words in lists.items() for word in words.split()}


WORDS = _table(
    STOP="stop stopall unsubscribe optout unsub quit cease",
    START="start begin unstop subscribe resume restart alta reanudar iniciar",
    HELP="help info ayuda informacion comandos commands menu",
    LINK="link links page website web enlace liga pagina",
    WHEN="when date cuando fecha status",
    WHY="why porque reason razon",
    WAIT="wait pause hold espera esperar espere esperen pausa",
    WAITED="waited waiting held paused esperamos espero esperando esperado",
    CUT=(
        "cut cutting mowed mowing mown swathed swathing windrowed corte cortamos cortado cortada "
        "cortados cortadas cortando cortaron segamos segado"
    ),
    TO_CUT="cuts mow mows swath cortar cortarlo cortes corta cortan cortare cortaremos segar",
    BEGAN=(
        "started starting began begun empezamos empece empezaron empezado empezando iniciamos "
        "inicie comenzamos comence"
    ),
    ENDED="finished done terminamos termine acabamos acabe acabo terminado",
    ALL="all everything todo todos toda todas entire whole",
    EXCEPT="except but excluding besides minus menos excepto salvo pero",
    AND="and y plus then also too tambien",
    NOT=(
        "not no didnt havent hasnt hadnt wont cant cannot dont doesnt isnt wasnt arent werent "
        "couldnt wouldnt never nope without nothing nada sin nunca tampoco todavia aun yet "
        "stopped stopping"
    ),
    PLAN=(
        "will going gonna plan planning planned next before until till til after vamos voy "
        "antes despues hasta proximo proxima"
    ),
    MAYBE=(
        "might maybe should could would can if unless let almost nearly pre quizas si puede podria "
        "casi"
    ),
    REMOVE="remove delete cancel",
    UNDO="undo deshacer",
    TO="to",
    TODAY="today hoy now tonight ahora ahorita",
    YESTERDAY="yesterday ayer anoche",
    DAY_BEFORE="anteayer antier",
    TOMORROW="tomorrow manana tmrw",
    NIGHT="night evening noche",
    LAST="last pasado pasada",
    AGO="ago atras",
    SINCE="hace",
    DAY="day days dia dias",
    WEEK="week weeks semana semanas wk wks",
    VAGUE=(
        "year years month months weekend season usually normally always often ano anos mes meses "
        "siempre normalmente temporada"
    ),
    CM="cm cms centimeter centimeters centimetre centimetres centimetro centimetros",
    RANGE="between entre",
    COUNT="spot spots sample samples muestra muestras",
    AREA="acre acres ac hectarea hectareas ha",
    LAB="rfv rfq ndf adf",
    TEXTS=(
        "text texts texting texted message messages messaging sms msg msgs sending send alert "
        "alerts notifications me mensaje mensajes mandar mandando mandarme enviar enviando "
        "enviarme textos avisos mandes manden envien envies"
    ),
    WEATHER="rain rains wet mud muddy weather storm storms dry lluvia lluvias mojado clima tiempo",
    INERT=(
        "we i were ive weve im theyre they is are be been was the a an my our us it its this that "
        "these have has had just already field fields farm on at in of from with by ok okay yes "
        "yeah sir well so as down morning afternoon noon early first second third fourth crop hay "
        "haylage alfalfa stand please pls plz thanks thank thx you hi hello hey fyi el la los las "
        "un una unos unas de del al en con ya hemos he ha se lo le mi mis nuestro nuestra campo "
        "campos potrero parcela lote finca rancho favor por es esta estan fue era eso ese temprano "
        "tarde primer primera segundo segunda gracias hola buenos buenas"
    ),
    FILLER=(
        "for about only up out off again mid middle late full stems stem height heights tall inch "
        "inches stage reading did do does more good para a que desde pulgadas "
        "pulgada altura alturas etapa tallos medio pleno plena"
    ),
)

STAGES = {
    **dict.fromkeys(
        ("vegetative", "veg", "v", "vegetativo", "vegetativa", "vegetativos"), "vegetative"
    ),
    **dict.fromkeys(("bud", "buds", "b", "budding", "boton", "botones"), "bud"),
    **dict.fromkeys(
        (
            *("flower", "flowers", "flowering", "bloom", "blooming", "blooms", "f", "fl"),
            *("flor", "flores", "floracion", "florear", "floreando"),
        ),
        "flower",
    ),
}

WEEKDAYS = {
    word: number
    for number, words in enumerate(
        (
            "monday mon lunes",
            "tuesday tue tues martes",
            "wednesday wed miercoles",
            "thursday thu thur thurs jueves",
            "friday fri viernes",
            "saturday sat sabado",
            "sunday sun domingo",
        )
    )
    for word in words.split()
}

MONTHS = {
    word: number
    for number, words in enumerate(
        (
            "january jan enero ene",
            "february feb febrero",
            "march mar marzo",
            "april apr abril abr",
            "may mayo",
            "june jun junio",
            "july jul julio",
            "august aug agosto ago",
            "september sep sept septiembre",
            "october oct octubre",
            "november nov noviembre",
            "december dec diciembre dic",
        ),
        start=1,
    )
    for word in words.split()
}

NUMBERS = {
    word: number
    for number, words in enumerate(
        (
            "one uno una",
            "two dos couple",
            "three tres",
            "four cuatro",
            "five cinco",
            "six seis",
            "seven siete",
            "eight ocho",
            "nine nueve",
            "ten diez",
            "eleven",
            "twelve doce",
            "thirteen trece",
            "fourteen catorce",
        ),
        start=1,
    )
    for word in words.split()
}

OPPOSITES = {"north": "norte", "south": "sur", "east": "este", "west": "oeste"}
"""Directions, which name many fields, in the other language."""

_EVERYDAY = (
    "abajo able alta altar arriba atop back bale bales barn better bottom break brown build "
    "cada cerca close come cosa cost cute earth east fair falta farm fine forth free front good "
    "green have heat hello help hill hold home house into job keep last left like list look "
    "main make mejor mill miss month more most mouth much mucho nada need none other over para "
    "park part pasar past pasta people pero place plan poco presume puro quiet quite rare ready "
    "resume resumen right road rows salir salta same shop short slop slow small smart snap some "
    "soon spray stack step steps stomp stood stoop stow stuff stump sure take test than them "
    "there these thing think those time todo took tres turn used vale verde very viene want "
    "warm watch well were west wide will wind work worth year your "
)
EVERYDAY = frozenset(_EVERYDAY.split())
"""Words that are never read as another one misspelt."""
