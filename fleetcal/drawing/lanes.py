"""Words above a plot: each beside its own vertical rule, in the first lane where it covers no other."""

from collections.abc import Sequence
from dataclasses import dataclass

MOST_LANES = 4
# Width of a character at 12 px in a system font, on the wide side.
CHARACTER_PX = 6.6
GAP_PX = 3.0


@dataclass(frozen=True, slots=True)
class WordPlace:
    """x of the rule, x where its word starts, and the lane from the top; no lane: the word found no room."""

    x: float
    word_x: float
    lane: int | None


def measure_words(words: str) -> float:
    return len(words) * CHARACTER_PX


def place_words(marks: Sequence[tuple[float, str]], width: float) -> list[WordPlace]:
    """Places for (x, word) in order of x: right of its rule, or left of it near the end at `width`."""
    ends = [0.0] * MOST_LANES
    places = []
    for x, word in marks:
        length = measure_words(word)
        word_x = x + GAP_PX if x + GAP_PX + length <= width else x - GAP_PX - length
        lane = next((i for i, end in enumerate(ends) if end <= word_x), None)
        if lane is not None:
            ends[lane] = word_x + length + GAP_PX
        places.append(WordPlace(x, word_x, lane))
    return places
