"""Standings, reasons and obligations in words, the same on a page, in a report and in a terminal."""

from fleetcal.evaluation.facts import GROSS
from fleetcal.evaluation.standing import Action, Cause, Obligation, Reason, StandingWord
from fleetcal.fleet.days import day_text

ACTIONS = {
    Action.RECALIBRATE: "Recalibrate",
    Action.CALIBRATE: "Calibrate",
    Action.CHECK: "Check near full load",
    Action.INSPECT: "Inspection by an approved workshop (for information)",
    Action.VERIFY: "Have the instrument verified",
}
SHORT_ACTIONS = ACTIONS | {Action.CHECK: "Check", Action.INSPECT: "Inspection", Action.VERIFY: "Verify"}
MEANINGS = {
    StandingWord.DO_NOT_RELY: "Do not rely on the display until it has been made good.",
    StandingWord.NOT_ON_RECORD: "No accepted calibration is on record for the system that is fitted.",
    StandingWord.OVERDUE: "A check is past its due date.",
    StandingWord.CHECK_DUE: "A check falls due within the planning window.",
    StandingWord.RELIABLE: "Calibrated, checked in time, and nothing on record speaks against it.",
}


def subject_text(subject: int) -> str:
    return "gross" if subject == GROSS else f"axle group {subject}"


def reason_text(reason: Reason) -> str:
    """One reason as a sentence without its full stop."""
    detail, on, subject = reason.detail, day_text(reason.on), subject_text(reason.subject)
    match reason.cause:
        case Cause.PART_REPLACED:
            where = "the vehicle" if reason.subject == GROSS else subject
            return f"{detail['component']} {_work(detail['work'])} on {on}: {where} must be calibrated again"
        case Cause.FAILED_CHECK:
            return f"{subject} {detail['word']} in the {_purpose(detail['purpose'])} of {on}"
        case Cause.NO_CALIBRATION if detail.get("system") == "none":
            return "no weighing system on record"
        case Cause.NO_CALIBRATION:
            what = "the system" if reason.subject == GROSS else f"{subject}, system"
            return f"no accepted calibration of {what} fitted on {on}"
        case Cause.SUSPENSION_WORK:
            return f"{detail['component']} {_work(detail['work'])} on {on} asks for a check"
        case Cause.TICKET_OUTSIDE:
            return f"everyday ticket of {on} outside tolerance ({subject} {detail['word']})"
        case Cause.REFERENCE_WRONG:
            return f"the reference of a {reason.record_kind} was found wrong on {on}"
        case Cause.CONDITIONAL_PASS:
            return f"only a conditional pass on {on}: recheck after {detail['days']} days"
        case Cause.EXCUSED_BOND:
            return f"calibrated on {on} before the bond was cured: early check after {detail['days']} days"
        case Cause.FIRST_CHECK:
            return f"first check, {detail['days']} days after the calibration of {on}"
        case Cause.LONGEST_INTERVAL:
            return f"{detail['days']} days after the check of {on}"
        case Cause.LONGEST_DISTANCE:
            return f"{detail['km']} km driven since the last check, {detail['limit_km']} allowed"
        case Cause.EU_CADENCE if detail.get("after") == "failed":
            return f"within two months of the inspection of {on} that was not passed, {detail['test']} test"
        case Cause.EU_CADENCE if detail.get("after") == "passed":
            return f"the day that the inspection report of {on} names, {detail['test']} test"
        case Cause.EU_CADENCE:
            return f"two-yearly cadence of Regulation (EU) 2019/1213, {detail['test']} test"
        case Cause.CERTIFICATE_ENDS:
            return (
                "the certificate ends"
                if detail.get("has_certificate", "True") == "True"
                else "no certificate on record"
            )
        case Cause.CALIBRATED:
            return f"calibrated on {on}"
        case Cause.CHECKED:
            return f"checked on {on}: {detail['word']}"


def obligation_text(obligation: Obligation) -> str:
    return f"{ACTIONS[obligation.action]} by {day_text(obligation.due_on)}: {reason_text(obligation.reason)}"


def _work(work: str) -> str:
    return "replaced" if work == "replaced" else "adjusted or repaired"


def _purpose(purpose: str) -> str:
    return {
        "check": "check",
        "as found": "as-found check",
        "as left": "as-left check",
        "trade": "everyday ticket",
    }[purpose]
