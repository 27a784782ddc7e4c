"""Letters that are written regularly: when they are due, what they hold, each once, over a real mail server."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from email import message_from_bytes, policy
from email.message import EmailMessage
from html.parser import HTMLParser
from io import BytesIO
from pathlib import Path

import pytest
import structlog
import typer
from matplotlib.image import imread
from typer.testing import CliRunner

from agent.alarms.rules import Rule
from agent.app.digests import compose, printed
from agent.app.letters import Letters
from agent.app.recorder import Recorder
from agent.app.writing import Writer, due_day, key_of
from agent.cli.letters import register, sources
from agent.model.contact import Contact
from agent.model.digest import Digest, Picture
from agent.model.fleet import CounterTrack, CountPoint, LedgerEntry, PrinterHistory
from agent.model.reading import Counter
from agent.notify.mail import MailChannel, Server
from agent.notify.outbox import Outbox
from agent.settings import Settings, parse
from agent.store import Store
from tests.alarms.scene import DESK, START, Agent, reading, seen, toner
from tests.notify.servers import Post, smtp

DAY = timedelta(days=1)
DAYS = 145
NOW = START + DAYS * DAY  # Saturday 2026-07-25, 08:00 UTC
SETTINGS = """
sites: {Harrow Lane Library: {zone: Europe/Prague, holidays: CZ, locale: en-GB}}
parts: [{name: TG-40C, description: Cyan toner, supplies: ["toner:cyan"], models: [Tallgrass C20], price: 80}]
channels:
  - {name: desk, kind: mail, host: 127.0.0.1, security: none, from: lowmark@harrow-lane.example,
     to: desk@harrow-lane.example}
letters:
  - {name: walk, kind: morning, channel: desk, sites: Harrow*, at: "06:30"}
  - {name: fleet, kind: weekly, channel: desk, to: [wren@harrow-lane.example, robin@harrow-lane.example], days: sat}
"""


@pytest.fixture(scope="module")
def url(tmp_path_factory: pytest.TempPathFactory) -> str:
    """A cartridge lasts fifty days at two points a day; this one has lasted 45. 200 impressions a day."""
    made = f"sqlite:///{tmp_path_factory.mktemp('letters') / 'history.sqlite'}"
    with Store.open(made) as store:
        printer = store.save_printer(replace(DESK, id=0, name='Desk <b>"1"</b>'))
        for day in range(DAYS + 1):
            one = reading(toner(100 - 2 * (day % 50)), at=START + day * DAY)
            one = replace(one, counters=(Counter("life", "impressions", 1000 + 200 * day),))
            store.commit([Contact(one.at, printer.id, True, one)])
        agent = Agent([Rule("low", "supplyBelow", below=0.15, tell=("desk",))], now=NOW - 3 * DAY)
        agent.sweep(seen(toner(12), printer=printer))
        store.save_alarms(list(agent.records.values()), agent.ledger)
        swap = LedgerEntry(NOW - 2 * DAY, "swapSeen", "cyan toner: a new one was fitted", printer.id, "toner:cyan")
        count = LedgerEntry(NOW - 9 * DAY, "shelfRecounted", "", None, "TG-40C", data={"count": 0, "place": "shelf"})
        store.append_ledger([swap, count])
    return made


@pytest.fixture
def store(url: str) -> Iterator[Store]:
    with Store.open(url) as opened:
        yield opened


def letter(name: str, settings: Settings | None = None):
    return next(one for one in (settings or parse(SETTINGS)).letters if one.name == name)


def write(store: Store, name: str, now: datetime = NOW, **changed: object) -> Digest:
    settings = parse(SETTINGS)
    return compose(letter(name).model_copy(update=changed), sources(store, settings, now), now)


# --- when ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("local", "day"),
    [
        ("2026-07-24 06:29", None),
        ("2026-07-24 06:30", "2026-07-24"),
        ("2026-07-24 12:29", "2026-07-24"),  # the agent was off until now
        ("2026-07-24 12:31", None),
        ("2026-07-25 07:00", None),  # a Saturday
        ("2026-07-06 07:00", None),  # Jan Hus Day, a public holiday (Act No. 245/2000 Coll.)
    ],
)
def test_the_morning_letter_comes_on_working_days_by_the_clock_of_the_site(local: str, day: str | None):
    from zoneinfo import ZoneInfo

    now = datetime.fromisoformat(local).replace(tzinfo=ZoneInfo("Europe/Prague")).astimezone(UTC)
    assert due_day(letter("walk"), parse(SETTINGS), now) == (date.fromisoformat(day) if day else None)


def test_the_weekly_letter_is_still_written_the_day_after():
    settings = parse(SETTINGS)
    assert due_day(letter("fleet"), settings, NOW) == date(2026, 7, 25)
    assert due_day(letter("fleet"), settings, NOW + 1.5 * DAY) == date(2026, 7, 25)
    assert due_day(letter("fleet"), settings, NOW + 2.5 * DAY) is None
    monday = letter("fleet").model_copy(update={"days": ()})
    assert due_day(monday, settings, NOW) is None
    assert due_day(monday, settings, NOW + 2 * DAY) == date(2026, 7, 27)


# --- what ------------------------------------------------------------------------------------------------------------


def test_the_week_says_what_runs_out_what_was_printed_and_what_to_order(store: Store):
    digest = write(store, "fleet")
    # 200 impressions a day: seven days.
    assert digest.subject == "Fleet letter: 1,400 impressions, 1 run-out to come, 1 alarm (All sites)"
    for part in (
        'Desk <b>"1"</b>: cyan toner; Harrow Lane Library, Main building, 2, 2.14;',
        "What to order",
        "TG-40C; by",
        "0 on the shelf, 0 ordered",
        "Harrow Lane Library 1,400 (week before: 1,400)",
        "1 alarm was heard this week",
        "Alarms in 10 minutes a person",
        "a new one was fitted",
    ):
        assert part in " ".join(digest.plain.split()), digest.plain
    assert [one.name for one in digest.pictures] == ["run-outs", "pages", "alarms"]
    for one in digest.pictures:
        drawn = imread(BytesIO(one.png))
        # Twice as fine as the 640 points at which it is shown, with something in it.
        assert drawn.shape[1] == 1280
        assert drawn[..., :3].std() > 0.03
        assert one.alt
        assert f'"cid:{one.name}"' in digest.html


def test_what_printers_say_stays_words_in_the_html(store: Store):
    digest = write(store, "fleet")
    assert "<b>" not in digest.html
    assert "Desk &lt;b&gt;&quot;1&quot;&lt;/b&gt;" in digest.html

    found: set[str] = set()

    class Tags(HTMLParser):
        def handle_starttag(self, tag: str, attrs: object) -> None:
            found.add(tag)

    Tags().feed(digest.html)
    assert not found & {"script", "form", "iframe", "link", "style", "object"}
    assert "http" not in digest.html.replace("<!doctype html>", ""), "nothing is loaded from elsewhere"


def test_days_and_numbers_are_those_of_the_locale(store: Store):
    # CLDR: German writes 1.400 and puts the day before the month.
    german = write(store, "fleet", locale="de-DE")
    assert "1.400 impressions" in german.plain
    assert "25. Juli" in german.plain or "24.07.2026" in german.plain
    assert "1,400 impressions" in write(store, "fleet", locale="xx-nowhere").plain


def test_the_morning_says_what_the_round_holds_and_what_cannot_be_carried(store: Store):
    monday = NOW + 2 * DAY - timedelta(hours=3)
    digest = write(store, "walk", monday)
    said = " ".join(digest.plain.split())
    assert digest.subject.startswith("Round of Mon 27 Jul")
    assert "(Harrow*)" in digest.subject
    assert "Alarms that stand" in said
    assert "cyan toner: 12 % left" in said
    saturday = write(store, "walk", NOW)
    assert "no round is made today" in saturday.plain
    assert "Monday 27 July 2026" in saturday.plain.replace(",", "")


def test_a_site_that_nobody_has_printers_at_makes_a_letter_all_the_same(store: Store):
    digest = write(store, "fleet", sites=("Nowhere",))
    assert "0 printers, 0 impressions" in digest.plain
    assert digest.pictures == ()


def test_a_counter_that_starts_anew_prints_nothing_backwards():
    points = [(0, 100), (1, 150), (2, 20), (3, 50)]
    track = CounterTrack("life", "impressions", 2**32, tuple(CountPoint(START + n * DAY, v) for n, v in points))
    told = PrinterHistory(DESK, (), (), (track,))
    assert printed(told, START, START + 3 * DAY) == 80
    assert printed(told, START + DAY, START + 3 * DAY) == 30


def test_a_letter_outlives_the_store():
    digest = Digest("s", "p\n", "<p>", (Picture("a", "b", b"\x89PNG\x00\xff"),), ("x@y.example",))
    assert Digest.from_text(digest.to_text()) == digest


# --- once ------------------------------------------------------------------------------------------------------------


def agent_life(store: Store, settings: Settings, port: int | None, now: datetime, looks: int = 2) -> None:
    """An agent that looks for letters, writes them, and sends them if there is a mail server; then it is gone."""
    letters = Letters(store)
    recorder = Recorder(store, letters, clock=lambda: now)
    log = structlog.get_logger()

    async def live() -> None:
        writer = Writer(lambda: settings, lambda: sources(store, settings, now), recorder, lambda: now, log)
        for _ in range(looks):
            await writer.look()
        recorder.flush()
        if port is not None:
            channel = MailChannel(
                "desk", Server("127.0.0.1", port, "none"), "lowmark@harrow-lane.example", ["desk@harrow-lane.example"]
            )
            await Outbox(letters, {"desk": channel}).run_once(now)
            await channel.close()

    asyncio.run(live())


def mails(post: Post) -> list[EmailMessage]:
    return [message_from_bytes(one.content, policy=policy.default) for one in post.envelopes]


def test_a_letter_is_sent_once_whatever_happens_to_the_agent(tmp_path: Path, url: str):
    (tmp_path / "copy.sqlite").write_bytes(Path(url.removeprefix("sqlite:///")).read_bytes())
    post, settings = Post(), parse(SETTINGS)
    with Store.open(f"sqlite:///{tmp_path / 'copy.sqlite'}") as store, smtp(post) as port:
        agent_life(store, settings, None, NOW)  # written, and killed before anything was sent
        assert store.knows_message(key_of(letter("fleet"), date(2026, 7, 25)))
        agent_life(store, settings, port, NOW + timedelta(minutes=5))
        agent_life(store, settings, port, NOW + timedelta(minutes=9))
        assert len(post.envelopes) == 1
        agent_life(store, settings, port, NOW + 2 * DAY)  # Monday's round
        agent_life(store, settings, port, NOW + 2 * DAY + timedelta(hours=1))
        assert [mail["Subject"].strip().split(":")[0] for mail in mails(post)] == [
            "Fleet letter",
            "Round of Mon 27 Jul",
        ]
    assert set(post.envelopes[0].rcpt_tos) == {"wren@harrow-lane.example", "robin@harrow-lane.example"}
    assert post.envelopes[1].rcpt_tos == ["desk@harrow-lane.example"]
    mail = mails(post)[0]
    assert mail.get_content_type() == "multipart/alternative"
    plain, related = mail.iter_parts()
    assert plain.get_content_type() == "text/plain"
    html, *pictures = related.iter_parts()
    # RFC 2392: "cid:" and the Content-ID without its angle brackets.
    for picture in pictures:
        assert picture.get_content_type() == "image/png"
        assert f'"cid:{picture["Content-ID"].strip("<>")}"' in html.get_content()
        assert picture.get_content().startswith(b"\x89PNG\r\n\x1a\n")
    assert len(pictures) == 3
    assert mail["Auto-Submitted"] == "auto-generated"
    assert max(map(len, post.envelopes[0].content.split(b"\r\n"))) <= 998, "RFC 5322 section 2.1.1"


# --- the command -----------------------------------------------------------------------------------------------------


def test_the_command_lists_them_and_writes_one_without_sending(
    tmp_path: Path, url: str, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setenv("COLUMNS", "160")
    program = typer.Typer()
    register(program)
    program.command("other")(lambda: None)
    settings = tmp_path / "lowmark.yaml"
    settings.write_text(SETTINGS + f"store: {{url: '{url}'}}\n")
    words = ["--settings", str(settings), "--at", NOW.isoformat()]
    listed = CliRunner().invoke(program, ["letters", *words])
    assert listed.exit_code == 0, listed.output
    assert "Mon 27 Jul 06:30 CEST" in listed.output
    shown = CliRunner().invoke(program, ["letters", "--preview", "morning", "--site", "Harrow Lane Library", *words])
    assert shown.exit_code == 0, shown.output
    assert "Subject: Round of Sat 25 Jul: no round today (Harrow Lane Library)" in shown.output
    made = tmp_path / "weekly.eml"
    written = CliRunner().invoke(program, ["letters", "--preview", "fleet", "--to", str(made), *words])
    assert written.exit_code == 0, written.output
    mail = message_from_bytes(made.read_bytes(), policy=policy.default)
    assert mail["To"] == "wren@harrow-lane.example, robin@harrow-lane.example"
    every = CliRunner().invoke(program, ["letters", *words, "--preview"])
    assert every.output.count("Subject: ") == 2
    one_file = CliRunner().invoke(program, ["letters", "--preview", "--to", str(made), *words])
    assert one_file.exit_code == 2
    assert "--to takes one letter; say which: --preview " in one_file.output
    unknown = CliRunner().invoke(program, ["letters", "--preview", "evening", *words])
    assert unknown.exit_code == 2
