"""How samples are taken, for the page and the printed list. Each line with where it is from.

Sources are author, year, title; "common practice" where none was found.
"""

from __future__ import annotations

COUNCIL = "a state forage council, n.d., Scissors clipping procedure"
MINNESOTA = "University of Minnesota Extension, n.d., Alfalfa scissors cut sampling procedure"
IOWA = "Iowa State University, 2006, Predictive equations of alfalfa quality"
LABEL = "the label of the product; common practice"
PRACTICE = "common practice"

Lines = tuple[tuple[str, str], ...]
"""What to do, and its source; '{before}' is the hour by which clips are taken."""

CLIP: Lines = (
    ("Clip before {before}: sugars in the leaves swing over the day.", f"{MINNESOTA}; {COUNCIL}"),
    ("Go back to the same half acre or less each time.", f"{MINNESOTA}; {COUNCIL}"),
    ("Take plants at random from several spots of it, not the tallest.", COUNCIL),
    ("Cut as your mower would, 2 to 3 inches above the ground.", f"{MINNESOTA}; {COUNCIL}"),
    (
        "About half a pound fresh (225 g) a bag: the laboratory need not split it. "
        "Two bags a field, each a sample of its own.",
        f"{COUNCIL}; {MINNESOTA}",
    ),
    (
        "Paper bags; airtight plastic with the air pressed out where your laboratory wants it.",
        f"{COUNCIL}; LSU AgCenter forage laboratory, n.d., How to submit a sample",
    ),
    ("Label each bag: farm, field, date, time.", PRACTICE),
    ("Keep it cool and out of the sun, and send it the same day.", PRACTICE),
    (
        "Tell the laboratory it is fresh; ask for wet chemistry unless it has an equation for "
        "fresh alfalfa.",
        f"{COUNCIL}; Schroeder, n.d., How to estimate forage quality",
    ),
)

STEMS: Lines = (
    (
        "Five to ten spots of about 2 square feet all over the field, more above 30 acres.",
        f"{IOWA} (five, more above 30 acres); up to ten: {PRACTICE}",
    ),
    (
        "Height: the tallest stem of the spot, from the ground to the tip of the straightened "
        "stem, not of the leaf.",
        IOWA,
    ),
    (
        "Stage: the most mature stem, which need not be the tallest. Vegetative has no buds, bud "
        "has buds and no flower, flower has at least one open flower.",
        IOWA,
    ),
    (
        "For pure, healthy alfalfa of 16 to 40 inches.",
        "Weld, 2021, Calculating alfalfa stand quality; Sulc, 2011, Estimating alfalfa NDF in the "
        "field",
    ),
)

CAUTIONS: Lines = (
    ("Clean boots and shears between farms; keep to each farm's own rules.", PRACTICE),
    ("Park clear of the road; mind the traffic when you get out and when you load.", PRACTICE),
    ("Keep away from running machinery until the driver has seen you.", PRACTICE),
    ("Ask when the field was sprayed, and keep out as long as the label says.", LABEL),
    ("Let the farm know you are coming: dogs, cattle and electric fences.", PRACTICE),
    ("In heat take water and shade, and do not go alone.", PRACTICE),
)


def said(lines: Lines, before: str) -> list[str]:
    return [line.replace("{before}", before) for line, _ in lines]


def sources() -> list[str]:
    """Every source once, in the order of the lines."""
    found = (one for lines in (CLIP, STEMS) for _, source in lines for one in source.split("; "))
    return list(dict.fromkeys(one for one in found if one != PRACTICE))
