"""Tables, constraints, and QuerySets that answer questions; ``visible_to(user)`` decides who sees what."""

from portal.models.assessment import Night, NightState, SiteAssessment, SiteDaily
from portal.models.lead import CLOSED_STAGES, Lead, LeadKind, LeadNote, LeadStage
from portal.models.meter import DayBefore, DayReadings, ExpectedDay, Import, ImportState, Meter, pack, unpack
from portal.models.people import OFFICE_ROLES, Business, Customer, Language, Membership, Role, User
from portal.models.reminder import MailStop, Preference, Reminder, ReminderKind, ReminderState
from portal.models.site import Plane, Site
from portal.models.visit import Visit, VisitState

__all__ = [
    "CLOSED_STAGES",
    "OFFICE_ROLES",
    "Business",
    "Customer",
    "DayBefore",
    "DayReadings",
    "ExpectedDay",
    "Import",
    "ImportState",
    "Language",
    "Lead",
    "LeadKind",
    "LeadNote",
    "LeadStage",
    "MailStop",
    "Membership",
    "Meter",
    "Night",
    "NightState",
    "Plane",
    "Preference",
    "Reminder",
    "ReminderKind",
    "ReminderState",
    "Role",
    "Site",
    "SiteAssessment",
    "SiteDaily",
    "User",
    "Visit",
    "VisitState",
    "pack",
    "unpack",
]
