"""Every English text of the papers, in one place, and how numbers are written."""

from __future__ import annotations

import datetime

from pipeline.raster import MM_PER_INCH

_MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip

NOT_SET = "NOT SET – ask the press lead"

STEPS = {
    1: "Pretreat",
    2: "Load",
    3: "Set up",
    4: "Print",
    5: "Cure and handle",
    6: "Check",
}
FINDINGS = "Findings and decisions"
CHANGES = "What changed"
SIGN_OFF = "Sign-off"
UNCHANGED = "Nothing on this colourway since the last revision."
CHANGED = "Δ CHANGED: see the last page"
APPROVED = "Approved by {name}."

YES, NO = "YES", "NO"
PRETREAT_NO = "No pretreat: no white base is printed directly on this fabric."
PRETREAT_YES = "Spray {areas}: the print and {margin} mm on each side. Then dry it fully."
PRETREAT_RECIPE = "Recipe: {recipe}"

WEARER_SIDES = "Left and right are the wearer's. Drawn as it lies on the platen, printed side up."
SAME_FILE = "One file for all: {sizes}"
ALIKE = "The same on all sizes, {pixels}."
CENTRED = "Centred on the centre line."
ENLARGED = "enlarged"
MEASURES = {
    "A": "{line} down to the upper edge of the print",
    "A_up": "{line} up to the upper edge of the print",
    "B": "centre line to the left edge of the print",
    "C": "width of the print",
    "D": "height of the print",
}
B_NOTE = "B with − lies left of the centre line as you look at it, with + right of it."
MIRRORED = "THE FILE IS ALREADY MIRRORED. Do not mirror it again."
MIRROR_AT_PRESS = "THE FILE IS NOT MIRRORED. Switch mirroring ON at the press."
FILM_SIDE = (
    "The film lies ink side up: prints are seen mirrored, tags read right; x runs across the film, y along it. "
    "Cut between print and tag: no tag may get onto a garment."
)
FILM_PLACES = (
    "x and y: mm from the upper left corner of what is printed to where the number stands in the picture; "
    "turn is clockwise."
)
FILM_NIGHT = (
    "Film is ganged with the other orders of the night: the cut list of the roll says where the pieces lie."
)
FILM_DOWN = (
    "The ink side goes onto the garment; the picture reads right through the film. No tag under the press."
)
FILM_DOTS = "dots of {dot} mm for soft ink, the same for colour and white"
FILM_ROWS = "All film together {all} m; plain rows would take {rows} m."
BASE_IN_FILE = "THE FILE HAS ITS WHITE BASE (“{plate}”, {polarity}). Switch the press's base OFF."
BASE_AT_PRESS = "THE FILE HAS NO WHITE BASE. Switch the press's base ON."
BASE_NONE = "NO WHITE BASE on this fabric. Switch the press's base OFF."
HATCHED = "Hatched: no ink, the fabric shows."
GRADES = "Share of the ink; Lab as printed; grade: grey-scale steps, first and all washes, 5 none; bare: uncompensated."
NOT_CALIBRATED = "Not calibrated: a guess, no wash tests."
CALIBRATED = "Calibrated by wash tests."

CAUTIONS = {
    "all": (
        "Heat presses, dryers and flash units burn: gloves on, hands clear, know the stop.",
        "Follow the makers' data sheets and the local codes.",
        "Watch for scorch marks; heat-test one garment first.",
    ),
    "direct": ("Pretreat and ink mist: ventilate, wear eye protection.",),
    "transfer": (
        "Powder dust and oven fumes: ventilate, wear eye protection and a dust mask; no flame near the powder.",
        "Temperature, pressure, time and peel are the film's and the powder's data sheets'; cover what is pressed "
        "already.",
    ),
    "screen": (
        "Emulsion and reclaim chemicals, UV lamps: gloves, eye protection, do not look into the lamp.",
    ),
}
CHILD = (
    "CHILDREN'S WEAR. Legal limits on substances apply (in the US: CPSIA). The shop's compliance person decides, "
    "not this ticket."
)

CHECKS = (
    "First print (strike-off) compared with step 4",
    "Position measured: A and B within 5 mm",
    "No ink where it is hatched; edges clean",
    "Right garment, size label and fabric colour",
    "Cured through: stretch and wipe test passed",
    "Last piece compared with the first",
    "Counted: {garments} garments, {impressions} impressions",
)
WASH_LABEL = "Wash label"
SIGNED = ("Pretreated", "Set up", "First print", "Run", "Checked")

PROOF_ASK = "Please check spelling, colours, sizes and places. We print only after your yes."
PROOF_YES = "YES, print as shown"
PROOF_NO = "NO, please change:"
PROOF_SCREEN = (
    "Colours on a screen or office printer differ from ink on fabric. "
    "The picture shows which colours are used and where, not the last shade."
)

PROOF_SHOWN = "For your records: this order is printed as shown here."
PROOF_NOT_YET = "Not printed yet: a decision is needed first, see below."
PROOF_DECLINED = "Sent back last time: {why}"

PROOF_ANSWER = "Your answer"
PROOF_UNTIL = "Nothing is printed before your yes. The garments are due on {due}."
PROOF_WAITS = "Nothing is printed before your yes."
PROOF_HOW = (
    "In the shop: washfast approve DIR {order} --revision {revision} --by NAME (or decline … --why TEXT), or a file in "
    'incoming/ with decision = "approve", order, revision and by.'
)
PROOF_SINCE = "What is new since the last proof"
PROOF_SAME = "Nothing that shows."
PROOF_CHANGES = "What we change for you, and why"
PROOF_UNCHANGED = "Nothing: the art is printed as you sent it."
PROOF_HELD = "Waits for a decision"
PROOF_AGREED = "What was agreed"
PROOF_WASHED = "size {size}, predicted at {washes} washes"
PROOF_PREDICTED = "predicted at {washes}"
PROOF_MORE = "and {more} in small parts"
PROOF_KNOCKED_OUT = (
    "Part of “{print}” is not printed, because the fabric has that colour and shows there: {shares}."
)
PROOF_BASE = "White ink lies under the colours, so that the fabric does not darken them: {where}."
PROOF_FADE = "Colours are printed a little stronger than drawn, to look right after about {washes}: {where}."
PROOF_DOTS = (
    "Soft edges, glows and shadows become fine dots on film, because half ink would not hold: {where}."
)
PROOF_FILM = "Transfer film"
PROOF_ROLL = "Printed on {file}: film {width} mm wide, {length} m long, {pieces} with overs."
PROOF_FILM_LATER = "The pieces, overs with them, are laid out on film once the order is released."
PROOF_ALL = "all prints on all fabrics"
PROOF_GUESS = "This is by experience, not measured."

NIGHT_NOTES = "Notes"
NIGHT_TAKES = "What the released orders take, by the shop's figures"
NIGHT_NO_PRICES = "Cost: no prices in the shop file."
RUN_NOTHING = "Nothing to print."
RUN_ORDER = "From top to bottom, press by press: rush first, then whatever takes the least change-over."
PULL_HOW = (
    "Pull the blanks, count them in, note what is short. Ordered pieces and overs are added up in PULL."
)

STATES = {
    "released": "RELEASED",
    "held": "HELD",
    "refused": "REFUSED",
    "failed": "FAILED",
    "waiting": "WAITING",
}
STATE_MARKS = {"released": "✓", "held": "■", "refused": "✗", "failed": "⚠", "waiting": "…"}
SEVERITIES = {"stop": "STOP", "warn": "WARN", "note": "NOTE"}
ROUTES = {"direct": "direct to garment", "transfer": "transfer film", "screen": "screen"}


def number(value: float, places: int = 1) -> str:
    """Write a number with at most `places` decimals, no trailing zeros, a true minus sign."""
    text = f"{value:.{places}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return "0" if text == "-0" else text.replace("-", "−")


def inches(mm: float) -> str:
    """Write a length given in mm as inches, two decimals."""
    return f"{number(mm / MM_PER_INCH, 2)} in"


def length(mm: float) -> str:
    """Write a length in mm with inches beside it."""
    return f"{number(mm)} mm ({inches(mm)})"


def area(width_mm: float, height_mm: float, places: int = 1) -> str:
    """Write a size in mm with `places` decimals, with inches beside it with one more."""
    mm = f"{number(width_mm, places)} × {number(height_mm, places)} mm"
    one, other = (number(v / MM_PER_INCH, places + 1) for v in (width_mm, height_mm))
    return f"{mm} ({one} × {other} in)"


def count(many: int, one: str, more: str = "") -> str:
    """Write "1 garment", "40 garments"."""
    return f"{many} {one if many == 1 else more or one + 's'}"


def percent(share: float) -> str:
    """Write a share 0–1 as per cent."""
    return f"{number(share * 100)} %"


def date(day: datetime.date) -> str:
    """Write a date, "4 December 2026", whatever the locale."""
    return f"{day.day} {_MONTHS[day.month - 1]} {day.year}"


def money(amount: float, currency: str) -> str:
    """Write a price with two decimals and the shop's currency behind it."""
    return f"{amount:.2f} {currency}".strip()


def hours(minutes: float) -> str:
    """Write a time given in minutes, "45 min" or "3 h 20 min"."""
    whole = round(minutes)
    return f"{whole} min" if whole < 60 else f"{whole // 60} h {whole % 60:02d} min"


def run_of(sizes: tuple[str, ...]) -> str:
    """Write the sizes of a band: "M", "S, M" or "S – XL" for three and more."""
    return ", ".join(sizes) if len(sizes) < 3 else f"{sizes[0]} – {sizes[-1]}"
