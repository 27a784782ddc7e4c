"""The rehearsal: simulated printers that wear as real ones do and answer real SNMP on loopback.

How to use it (the parts live in the modules named)::

    fleet.Fleet(seed=1, size=30, *, start: datetime, organisation="Harrow Lane Library", zone="Europe/London",
                addresses: Sequence[Address] | None = None)
        .printers: tuple[Worn, ...]        one each; .name .address .port .device_index .kind .credentials .place
        .advance(to: datetime) -> None     let time pass; deterministic for (seed, size, start, to)
        .cells(printer, at) -> dict[str, Value]      what it would answer at ``at`` (>= the last advance)
        .history(until, step=timedelta(minutes=30), gaps=()) -> Iterator[Seen]
                                           Seen(at, printer, cells | None): cells when something changed, None when
                                           nobody answered; ``same=True`` when it answered just what it answered before
        .truth: Truth                      what really happened: .deeds, .level(printer, key)
    fleet.SimClock(real, start, speed)     .now() -> simulated moment
    serve.Rehearsal(fleet, clock, *, port=1161)      .start() .stop() .addresses, context manager; runs in a thread
        hooks: .set_level(name, key, fraction) .swap(name, key) .jam(name) .clear(name) .unplug(name) .plug(name)
               .exchange(name) .move(name) .reset_counter(name, value) .print_pages(name, pages, colour)
        .sets: how many SET requests arrived (nobody ever should send one)
    paper.settings_yaml(fleet, folder) -> str        settings ready for ``lowmark run``; the secrets go into files
"""
