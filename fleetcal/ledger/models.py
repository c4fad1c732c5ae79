from django.db import models


class Entry(models.Model):
    """One entry of one stream. *body* is what counts; the other columns repeat parts of it for look-up and are verified against it."""

    stream = models.CharField(max_length=64)
    seq = models.BigIntegerField()
    digest = models.CharField(max_length=64, unique=True)
    at = models.DateTimeField(db_index=True)
    actor = models.CharField(max_length=150)
    kind = models.CharField(max_length=48)
    body = models.BinaryField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["stream", "seq"], name="entry_place_unique"),
            models.CheckConstraint(condition=models.Q(seq__gte=0), name="entry_seq_from_zero"),
        ]

    def __str__(self) -> str:
        return f"{self.stream}#{self.seq} {self.kind}"


class Head(models.Model):
    """Where a stream stands: the row that is locked while appending. Derived from the entries, and verified against them."""

    stream = models.CharField(max_length=64, primary_key=True)
    count = models.BigIntegerField(default=0)
    digest = models.CharField(max_length=64, default="0" * 64)

    def __str__(self) -> str:
        return f"{self.stream}: {self.count}"
