"""Whole numbers that stand in an address or in a hidden field, where anybody may write anything."""

MOST_DIGITS = 9


def read_count(text: str) -> int | None:
    """The number that *text* is; None where it is none, or has more digits than anything here counts to."""
    return int(text) if text.isdecimal() and len(text) <= MOST_DIGITS else None
