"""The measuring of scrapes runs; what it measures is for ``make bench``."""

from __future__ import annotations

from tests.bench.scrape import figures, measure


def test_a_scrape_is_measured_over_http() -> None:
    found = measure(short=True)
    assert found["printers"] == 200
    assert 0 < found["later_seconds"] < 10
    assert found["page_mb"] > found["gzip_mb"] > 0
    assert found["memory_mb"] > 0
    assert all(text for _, text in figures(found))
