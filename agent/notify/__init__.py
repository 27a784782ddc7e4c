"""Telling people: message texts, channels, and the outbox that never forgets."""
