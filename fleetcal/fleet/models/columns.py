"""Column types that several tables share."""

from typing import Any

from django.core.validators import MinValueValidator
from django.db import models


class KilogramField(models.DecimalField):
    """A mass in kilograms to the gram, so that pounds convert without loss that matters."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        kwargs["max_digits"], kwargs["decimal_places"] = 10, 3
        super().__init__(*args, **kwargs)


def positive_kilograms(name: str, **kwargs: Any) -> KilogramField:
    return KilogramField(name, validators=[MinValueValidator(0.001)], **kwargs)


def known(field: str, choices: type[models.TextChoices], *, blank: bool = False) -> models.Q:
    """The condition that *field* holds one of *choices*."""
    return models.Q(**{f"{field}__in": [*choices.values, ""] if blank else choices.values})
