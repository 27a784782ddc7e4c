"""Simulated printers that answer real SNMP on loopback, and wear as real ones do."""
