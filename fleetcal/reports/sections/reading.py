"""How to read the report, and the cautions that go with what it is about."""

from reportlab.platypus import Flowable

from fleetcal.evaluation.standing import StandingWord
from fleetcal.evaluation.wording import MEANINGS
from fleetcal.records.wording import MEANING
from fleetcal.reports import styles
from fleetcal.reports.audit_trail import AuditTrail
from fleetcal.reports.composer import Composer

TERMS = (
    ("Error", "what the display showed minus what the reference instrument gave, for the same load."),
    (
        "u, U and k",
        "the standard uncertainty of an error is u, and U = k · u its expanded uncertainty: the interval error ± U is meant to hold the "
        "true error with a probability of about 95 %. Results are rounded once, to two digits of U (GUM, JCGM 100).",
    ),
    (
        "Tolerance",
        "the limit on the error that the policy sets. “Accepted” is the limit inside it where a guard band is kept because of U; "
        "“within” is the probability that the true error is inside the tolerance (JCGM 106).",
    ),
    (
        "Counts",
        "a check counts for the schedule when its load, its readings and its reference are what the policy asks for. Everyday "
        "tickets are kept, and count only where the policy says so.",
    ),
    (
        "Unsupported",
        "resting on a reference instrument that was not valid on the day; such a record is kept, but no obligation is met "
        "by it.",
    ),
    (
        "Not separable",
        "the readings of the platform do not give this weight by itself, so that there is no decision.",
    ),
    (
        "As known then, as known now",
        "from what was on record at the end of the day, and from everything on record up to the last entry of this report. They "
        "differ where something was recorded or corrected later.",
    ),
)
# Common practice, no source.
CAUTIONS = (
    "Chock the wheels and apply your yard’s procedure before anyone goes under a vehicle.",
    "Never work under a vehicle that is held only by a jack or by its air suspension.",
    "Deflate the suspension before work on air springs.",
    "Keep clear of loads while they are being placed.",
    "An overloaded vehicle stays off the road.",
    "Instruments used in trade or enforcement must be verified by whoever the local law names.",
    "The display maker’s manual and your local rules prevail.",
)


def write_reading(trail: AuditTrail, compose: Composer) -> list[Flowable]:
    return [
        *compose.heading("How to read this report"),
        compose.facts([(name, _sentence(meaning)) for name, meaning in TERMS]),
        compose.text("The words of a decision", styles.CAPTION),
        compose.facts([(word.label, _sentence(meaning)) for word, meaning in MEANING.items()]),
        compose.text("The words of a standing, the worst that applies", styles.CAPTION),
        compose.facts([(word.value, MEANINGS[word]) for word in StandingWord]),
        compose.text("Corrections", styles.CAPTION),
        compose.text(
            "Nothing is deleted. A record that was corrected or withdrawn stays in this report, marked as such, with the reason, "
            "who gave it and when; it no longer counts."
        ),
        compose.text("Digests", styles.CAPTION),
        compose.text(
            "Whatever is recorded becomes an entry in a ledger. An entry holds the digest of the one before it, so that no entry can "
            "be changed, inserted, moved or taken out of the middle without every later digest changing. The administrator of the "
            "fleet’s installation checks all of them, and every recorded row against its entry, with manage.py verify_ledger. "
            "Whoever recorded something and kept its digest can show later that the entry stood in the ledger. A chain alone does "
            "not show that the newest entries were removed: compare the last digest of this report with a later one."
        ),
        compose.text("What it is, and what it is not", styles.CAPTION),
        compose.text(
            "The report concerns this vehicle only. It gives what the named persons recorded, and what follows from it by the named "
            "policy and method versions; weights of reference instruments rest on the certificates listed, issued by others. The "
            "same records give the same file, byte for byte. It supports good practice and is not legal-for-trade metrology; it "
            "says nothing about whether a vehicle may be driven. A letter that the typeface lacks is printed without its accent or "
            "as its code point; the ledger holds it as it was entered."
        ),
        *compose.heading("Cautions"),
        *compose.bullets(CAUTIONS),
    ]


def _sentence(words: str) -> str:
    return f"{words[:1].upper()}{words[1:]}{'' if words.endswith('.') else '.'}"
