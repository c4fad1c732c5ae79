"""What a stream is called by people. The ledger knows no vehicles; the layer that owns them says how to name theirs."""

from collections.abc import Callable, Iterable, Mapping

Namer = Callable[[Iterable[str]], Mapping[str, str]]
_namers: list[Namer] = []


def register(namer: Namer) -> None:
    _namers.append(namer)


def names_of(streams: Iterable[str]) -> dict[str, str]:
    """A name for each of *streams*, the stream's own key where nobody names it."""
    wanted = list(streams)
    names = {stream: stream for stream in wanted}
    for namer in _namers:
        names.update(namer(wanted))
    return names
