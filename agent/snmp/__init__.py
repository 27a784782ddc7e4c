"""The wire: two SNMP engines behind one Protocol, and the reader that knows what to ask."""
