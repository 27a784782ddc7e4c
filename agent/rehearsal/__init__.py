"""The rehearsal: simulated printers that wear as real ones do and answer real SNMP on loopback.

From the inside out: ``rhythm`` (when people print), ``kinds`` (the invented models), ``alerts`` and ``wear`` (one
printer over time), ``truth`` (what really happened), ``face`` (a printer's state as cells), ``fleet`` (all of them, and
the history they leave), ``past`` (that history as contacts for the store), ``clock`` (time that runs faster), ``ber``,
``usm`` and ``agent`` (the agent side of SNMP), ``serve`` (the sockets, and hands that interfere), ``paper`` (settings).

In use::

    fleet = Fleet(seed, 30, start=now - timedelta(days=120))
    store.record(contacts(thinned(fleet.history(until=now)), id_of, oddities))
    with Rehearsal(fleet, SimClock(real, now, speed=60)) as rehearsal:
        rehearsal.set_level("hl-01", "toner:black", 0.08)
"""
