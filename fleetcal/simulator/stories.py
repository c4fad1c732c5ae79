"""What went wrong with the few vehicles that make a due list worth reading."""

from __future__ import annotations

from enum import StrEnum


class Story(StrEnum):
    ORDINARY = "ordinary"
    INSTALLATION_OPEN = "never calibrated: an installation item is still open"
    NEWLY_FITTED = "never calibrated: fitted days ago"
    SPRING_REPLACED = "spring replaced and not recalibrated"
    CHECK_FAILED = "last check failed after a repair nobody wrote down"
    NEGLECTED = "no check for more than a year and a half"
    LAPSED_REFERENCE = "only checked on a weighbridge whose certificate had lapsed"
    TOO_LIGHT = "last calibration attempted with too light a load"
    DRIFTING = "drifts far faster than its kind"


# Places in each sixty vehicles, chosen for the layouts that stand there in the cycle of twenty.
_PLACES = {
    4: Story.SPRING_REPLACED,
    9: Story.INSTALLATION_OPEN,
    20: Story.CHECK_FAILED,
    27: Story.NEGLECTED,
    30: Story.SPRING_REPLACED,
    37: Story.LAPSED_REFERENCE,
    40: Story.DRIFTING,
    48: Story.TOO_LIGHT,
    53: Story.NEWLY_FITTED,
}


def story_of(index: int) -> Story:
    """The story of the vehicle with this number in the fleet; most have none."""
    return _PLACES.get(index % 60, Story.ORDINARY)
