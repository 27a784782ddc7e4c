"""One YAML file -> frozen settings, or every error in it at once.

settings = load("lowmark.yaml")     # raises SettingsErrors
settings.targets()                  # whom to ask
settings.rules()                    # the alarm rules
"""

from agent.settings.beyond import beyond
from agent.settings.changes import Change, diff
from agent.settings.errors import SettingsError, SettingsErrors
from agent.settings.load import load, parse
from agent.settings.notices import notices
from agent.settings.schema import example, json_schema
from agent.settings.secrets import Secret, SecretMissing, SecretUnfit
from agent.settings.shape import (
    Alarm,
    Alertmanager,
    ApprisePost,
    Channel,
    Credentials,
    Letter,
    Listen,
    Mail,
    Maintenance,
    Part,
    Polling,
    PrinterEntry,
    Retention,
    Settings,
    Shelf,
    ShelfPlace,
    Site,
    Store,
    Target,
    Upkeep,
    Webhook,
    WorkCalendar,
)

__all__ = [
    "Alarm",
    "Alertmanager",
    "ApprisePost",
    "Change",
    "Channel",
    "Credentials",
    "Letter",
    "Listen",
    "Mail",
    "Maintenance",
    "Part",
    "Polling",
    "PrinterEntry",
    "Retention",
    "Secret",
    "SecretMissing",
    "SecretUnfit",
    "Settings",
    "SettingsError",
    "SettingsErrors",
    "Shelf",
    "ShelfPlace",
    "Site",
    "Store",
    "Target",
    "Upkeep",
    "Webhook",
    "WorkCalendar",
    "beyond",
    "diff",
    "example",
    "json_schema",
    "load",
    "notices",
    "parse",
]
