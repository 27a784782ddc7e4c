"""How numbers and dates may be written on the pages; the texts are English everywhere."""

from __future__ import annotations

LOCALES = (
    "en-GB", "en-US", "en-IE", "bg-BG", "cs-CZ", "da-DK", "de-DE", "de-AT", "de-CH", "el-GR", "es-ES", "et-EE", "fi-FI",
    "fr-FR", "fr-BE", "fr-CH", "hr-HR", "hu-HU", "it-IT", "lt-LT", "lv-LV", "nb-NO", "nl-NL", "nl-BE", "pl-PL", "pt-PT",
    "pt-BR", "ro-RO", "sk-SK", "sl-SI", "sv-SE", "tr-TR", "uk-UA",
)  # fmt: skip
"""Browsers choose among these, the first of a language standing for it; any other that CLDR knows may be set."""
