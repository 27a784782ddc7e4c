"""Answers -> Reading: OIDs, enumerations, decoding, oddities. Pure."""
