"""What each role may do. A page asks for a capability, never for a role."""

from enum import StrEnum

from django.db import models


class Capability(StrEnum):
    SEE_FLEET = "see_fleet"
    RECORD_CHECK = "record_check"
    RECORD_REPAIR = "record_repair"
    RECORD_INSTALLATION = "record_installation"
    RECORD_CALIBRATION = "record_calibration"
    EXCUSE = "excuse"  # let a calibration stand although a rule is not met, with a reason
    CORRECT = "correct"
    IMPORT_FILES = "import_files"
    MANAGE_REGISTER = "manage_register"
    MANAGE_POLICIES = "manage_policies"
    SEE_EVIDENCE = "see_evidence"
    MANAGE_ACCOUNTS = "manage_accounts"


class Role(models.TextChoices):
    ADMINISTRATOR = "administrator", "administrator"
    MANAGER = "manager", "fleet manager"
    TECHNICIAN = "technician", "calibration technician"
    WORKSHOP = "workshop", "workshop"
    CLERK = "clerk", "driver or weighbridge clerk"
    COMPLIANCE = "compliance", "compliance officer"


C = Capability
CAPABILITIES: dict[str, frozenset[Capability]] = {
    Role.ADMINISTRATOR: frozenset(C),
    Role.MANAGER: frozenset(C) - {C.MANAGE_ACCOUNTS},
    Role.TECHNICIAN: frozenset(
        {
            C.SEE_FLEET,
            C.RECORD_CHECK,
            C.RECORD_REPAIR,
            C.RECORD_INSTALLATION,
            C.RECORD_CALIBRATION,
            C.CORRECT,
            C.SEE_EVIDENCE,
        }
    ),
    Role.WORKSHOP: frozenset({C.SEE_FLEET, C.RECORD_REPAIR}),
    Role.CLERK: frozenset({C.SEE_FLEET, C.RECORD_CHECK, C.IMPORT_FILES}),
    Role.COMPLIANCE: frozenset({C.SEE_FLEET, C.SEE_EVIDENCE}),
}
