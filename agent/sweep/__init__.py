"""One pass over the fleet: read, decode, think, record, judge, tell."""
