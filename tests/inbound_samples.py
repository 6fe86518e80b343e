"""Texts as farmers write them, by what they ask for; every one is invented.

How people word such things is common practice. ``NOT_CUT`` and the other lists of what must do
nothing come from a review of texts that were once taken for more than they say.
"""

from __future__ import annotations


def lines(texts: str) -> list[str]:
    return [text.strip() for text in texts.strip().splitlines()]


PLANNED = lines("""
    too wet to cut north
    north ready to cut
    need to cut north today
    hoping to cut north today
    about to cut north today
    trying to cut north today
    still have to cut north
    north left to cut
    let me know before i cut north
    we'd cut north if it was dry
    We’ll cut north today
    i'll cut north tonight
    will be cutting north in an hour
    going to cut north
    might cut creek
    planning to start north
    looking to start north monday
    good day to cut hay
    almost started north
    falta cortar norte
    quiero cortar norte
    tengo que cortar norte
    pienso cortar norte
    hay que cortar norte
    hay que cortar ya
    listo para cortar el norte
    vamos a cortar norte
    manana vamos a cortar
    si puedo corto norte
    casi empezamos norte
""")
DENIED = lines("""
    not cut yet
    haven't cut north
    north not cut
    hasn't started creek yet
    we stopped cutting
    didn't get north cut
    no hemos cortado
    no cortamos norte
    todavia no empezamos
    nunca cortamos creek
""")
ASKED_ABOUT = lines("""
    lets cut north today
    let's cut north today
    wish we had cut north yesterday
    neighbor cut his north field
    cut a sample in north this morning
    started spraying north
    finished spraying north
    finished raking north
    done spraying north
    i think we cut north
    the deer cut through north
    cut the grass by north gate
    they say cut north
    cut cute north
    worth cutting north
    50% of north cut
    north half done
    no rain, cut north
    start north
    may cut north
    cut north apirl 5
    empezamos a regar norte
    they started north of town
    cortamos al norte de la casa
    cutting north as soon as it dries
    recien cortamos norte
    thinking about cutting north
    cut and raked north
    el vecino corto y cortamos norte
    cortamos medio norte
""")
WHICH_ONES = lines("""
    everything cut except north
    all cut but creek
    cut north but not creek
    cut north, not creek
    cut all besides north
    todo cortado menos norte
    cortamos todo excepto creek
    cortado todo salvo norte
    done
    we finished
    good cut today
    ya no me falta nada, corte todo
    terminamos
""")
STAGES_TOLD = lines("""
    north just started to bud
    started blooming in north
    starting to bloom
    north starting to bloom
    norte empieza a florear
    norte empezando a florear
    north bud
    norte ya boton
    north 27 no bud yet
    norte 27 sin boton
    north 28 not in bloom yet
    north will be 28 bud friday
    north 24-26 inches bud
    north 28 to 30 bud
    north 28-30 bud
    norte 28 a 30 boton
    north between 28 and 30 bud
    north 28 almost bud
    north 28 starting to bloom
    norte 28 casi flor
    north 30in bud creek 28in bud
    north 5 spots 28 30 31 27 29 bud
    north 28 bud, 5 days after rain
    north 28 30 bud?
""")
QUESTIONS = lines("""
    have we started
    did we cut north
    is it cut
    should we cut north
    can i cut north today
    cut north?
    puedo cortar norte
    ¿ya cortamos norte?
    what if we cut north today
""")
ANY_DAY = lines("""
    we usually start north may 8
    cut north last week
    cut north fri and creek today
    cut north may 3 last year
    last year cut north may 10
    cut north this week
    cut north over the weekend
    cut north the other day
    cut north a few days ago
    cut north monday or tuesday
    cut north 5/14 and creek 5/15
    north 28 30 bud last week
    corte norte 4/5
    corte norte la semana pasada
    corte norte el mes pasado
    siempre empezamos norte el 8 de mayo
""")
CUTS = lines("""
    cut north
    Cut north!!!
    CUT NORTH
    cut nroth
    Cut N0rth
    north cut
    north is cut
    north done
    north all done
    done with north
    finished north
    started north
    Started north this morning
    just started cutting north
    we just cut the north field, thanks
    we have cut north
    we are cutting north
    we're cutting north
    cutting north now
    finished cutting north
    done cutting north
    mowed north
    swathed north
    windrowed north
    north first crop cut
    1st cutting north done today
    cut north 40 acres
    cut all of north
    hey cut north today thx
    ok cut north
    wait, we cut north already
    stop the wait, we cut north today
    actually, we cut north
    norte cortado
    corte norte
    corté el norte hoy
    ya cortamos el norte
    hola, ya cortamos el norte gracias
    empece norte
    empezamos el norte hoy
    terminamos norte
    ya no quiero esperar, corte hoy el norte
    espera, ya cortamos norte
    acabo de cortar norte
    acabamos de cortar norte
    empezamos a cortar norte
    se ha cortado el norte
    yes cut north
""")
CUTS_OF_NO_FIELD = lines("""
    we started
    started
    we have started
    just started cutting
    started hay today
    cut
    we cut
    cut hay today
    empezamos
    ya empezamos
    cortamos hoy
    ya cortamos
""")
CUTS_OF_ALL = lines("""
    cut all
    CUT ALL
    cut everything
    cut everything today
    all cut
    started cutting everything
    cortamos todo
    todo cortado
""")
STOPS = lines("""
    cut me off
    cut off the texts
    please cut the messages
    STOP
    Stop please thanks
    stopp
    stpo
    stp
    unsubscibe
    alto
    Alto!
    stop texting me
    stop texting me about north
    stop bugging me
    stop it now
    please stop this
    can you stop
    would you stop texting
    STOP! I've had enough.
    No, stop!
    quit texting
    i quit
    I want to cancel
    i'd like to unsubscribe
    unsubscribe me please
    cancel my subscription
    end the messages
    don't message me
    do not text me again
    no more texts please
    opt me out
    take me off
    take me off please
    take me off this list
    take me off your texts
    get me off this list
    remove me
    remove me please
    remove my number
    remove me from your list
    delete my number from this list
    leave me alone
    wrong number
    no mas mensajes
    no más
    basta ya
    por favor paren
    ya no quiero
    ya no quiero recibir mensajes
    ya no me manden
    no me envien mas textos
    no quiero mensajes
    no quiero mas
    dejen de mandar
    borreme de la lista
    parar los mensajes
    darme de baja
    pare los mensajes por favor
    no quiero que me manden mensajes
    dejenme en paz
    ya no me mande nada
    quitenme de la lista
    not interested
    i dont want this
    stop messaging this number
    please take my number off
    stop all alerts
""")
PERHAPS_STOPS = lines("""
    quit cutting north, rain
    stop cutting north
    i quit cutting at dark
    I quit for today, north half done
    I quit for today
    remove me from creek
    stop raining already
    stop north
    stop the rain
    tractor quit on me
    the baler quit
    cancel that
    delete that
""")
NO_STOPS = lines("""
    take me off hold
    get me off the wait
    get me off hold
    ya no quiero esperar, corte hoy el norte
    ya no me falta nada, corte todo
    no quiero mas lluvia
    quit raining, text me when dry
    cut north, text me when to start creek
    dont stop
    stop by creek
    quiet
    quite
    step
    shop
    pasta
    pasar
    subscribed
""")
NO_STARTS = lines("""
    smart
    falta
    resumen
    Starts?
    star
    salta
    altar
    presume
    stary
    started?
    restar
    resumes
""")
NOT_HELD = lines("""
    can't wait 3 more days
    dont wait 3 days
    no need to wait 2 days, going now
    we waited 3 days already
    been waiting 3 days
    waiting on rain
    waited too long
    we might wait 3 days
    wait 2 or 3 days
    the neighbor will wait 3 days
    wait for 3 days was too long
    hold on cutting north
    wait to cut north
    we cut north, wait 3 on creek
    no puedo esperar 3 dias
    no esperar 3 dias
    ya no espere 3 dias
    esperamos 3 dias
    si espero 3 dias
""")
