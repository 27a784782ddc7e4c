"""Findings -> alarm states, with reasons. Pure."""
