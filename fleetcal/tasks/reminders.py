"""The daily reminder: what is due at a person's depots, in words."""

from datetime import date

from django.conf import settings
from django.core.mail import send_mail
from django.db.models import QuerySet

from fleetcal.accounts.models import User
from fleetcal.accounts.roles import Role
from fleetcal.evaluation.models import Obligation
from fleetcal.evaluation.services import reasons_from_json
from fleetcal.evaluation.standing import Action
from fleetcal.evaluation.wording import SHORT_ACTIONS, reason_text
from fleetcal.fleet.days import day_text
from fleetcal.fleet.selectors import vehicles_for

LONGEST_LIST = 50


def reminders_due(today: date) -> list[User]:
    """The managers with an address for whom something is due."""
    people = User.objects.filter(role=Role.MANAGER, is_active=True).exclude(email="").order_by("pk")
    return [user for user in people if obligations_for(user, today).exists()]


def obligations_for(user: User, today: date) -> QuerySet[Obligation]:
    return (
        Obligation.objects.filter(vehicle__in=vehicles_for(user), opens_on__lte=today, is_information=False)
        .select_related("vehicle", "vehicle__depot")
        .order_by("due_on", "vehicle__registration")
    )


def send_reminder(user: User, today: date, progress: object = None) -> str:
    due = obligations_for(user, today)
    lines = [_line(obligation) for obligation in due[:LONGEST_LIST]]
    more = due.count() - len(lines)
    if more > 0:
        lines.append(f"… and {more} more on the due list.")
    subject = f"{len(lines) if more <= 0 else due.count()} due on {day_text(today)}"
    send_mail(subject, "\n".join(lines) + "\n", settings.DEFAULT_FROM_EMAIL, [user.email])
    return f"{user.email}: {subject}"


def _line(obligation: Obligation) -> str:
    [reason] = reasons_from_json([obligation.detail["reason"]])
    action = SHORT_ACTIONS[Action(obligation.action)]
    vehicle = obligation.vehicle
    assert vehicle is not None  # the query asks for vehicles only
    return f"{vehicle.registration} ({vehicle.depot.code}): {action} by {day_text(obligation.due_on)}, {reason_text(reason)}"
