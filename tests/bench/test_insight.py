"""The insight part of the bench runs, and an unchanged printer is not read again."""

from tests.bench import insight


def test_an_unchanged_printer_is_not_read_again():
    found = insight.measure(short=True)
    assert found.read_again == 0
    assert found.unchanged_us < 100 * found.one_ms  # a tenth of a full look at the very most
    assert found.fleet_seconds > found.some_changed_seconds


def test_the_histories_of_the_bench_are_whole():
    made = insight.history(1)
    assert len(made.supplies) == 6
    assert (made.contacts[-1].last - made.contacts[0].first).days >= 399
