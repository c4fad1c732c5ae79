"""Python's search for cycles of objects, put off while a file is read or recorded."""

import gc
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def resting() -> Iterator[None]:
    """As a context or as a decorator. What is not part of a cycle is freed all the same.

    Reading ten thousand lines makes a million objects that stay for as long as the import does; searching them again and again
    took a fifth of the time.
    """
    if not gc.isenabled():
        yield
        return
    gc.disable()
    try:
        yield
    finally:
        gc.enable()
