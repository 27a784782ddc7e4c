"""Failures that a person can mend."""

from __future__ import annotations


class Failure(Exception):
    """The base of every failure whose text is written for a person: what is wrong, where, and what to do.

    ``status`` is the exit status of a command that ends with it: 1, something was found wrong in the world; 2, the
    call or the settings are wrong. The text never holds a secret.
    """

    status = 1
