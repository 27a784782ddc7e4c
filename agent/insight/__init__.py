"""History -> findings: who is who, usage, lives, run-out. Pure."""
