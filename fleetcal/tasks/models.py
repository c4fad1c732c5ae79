from django.db import models


class JobState(models.TextChoices):
    RUNNING = "running", "running"
    DONE = "done", "done"
    FAILED = "failed", "failed"


class Job(models.Model):
    """One piece of background work under a name that is unique for what it does, with its progress.

    Whoever works on it holds a lease; when the lease has run out, another worker may take the job over.
    """

    key = models.CharField(max_length=120, unique=True)
    state = models.CharField(max_length=8, choices=JobState, default=JobState.RUNNING)
    holder = models.CharField(max_length=64)
    leased_until = models.DateTimeField()
    started_at = models.DateTimeField()
    finished_at = models.DateTimeField(null=True)
    done = models.PositiveIntegerField(default=0)
    total = models.PositiveIntegerField(default=0)
    message = models.TextField(blank=True)

    class Meta:
        ordering = ["-started_at"]

    def __str__(self) -> str:
        return f"{self.key}: {self.state}"
