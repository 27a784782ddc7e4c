"""Lowmark: reads the printers of a network, knows what they need next."""
