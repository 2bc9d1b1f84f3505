"""``loadbook soak``: soak tests from the command line. Reads the ledger; what changes it is asked of the recorder."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any

from loadbook.clock import clock_of_environment
from loadbook.errors import InputError, StartError
from loadbook.files import load_settings
from loadbook.paper import pdf_of_html
from loadbook.settings import Settings
from loadbook.store import soak_ledger
from loadbook.store.choose import open_reader
from loadbook.store.connect import LEDGER_FILE, read_only
from loadbook.store.soak_ledger import SoakTest
from loadbook.transport.client import Client
from loadbook.transport.topics import Topics

from loadbook_dashboard import words
from loadbook_dashboard.requests import MqttAsker, RefusedError
from loadbook_dashboard.soak_report import VERDICT_WORDS, Remark, for_paper, gather, issue
from loadbook_dashboard.soak_words import ENTRY_WORDS, STATE_WORDS, night, place

TEXTS = ("ticket", "technician", "customer", "appliance", "serial_number", "complaint", "parts_replaced")


def register(subparsers: Any) -> None:
    """Add ``soak`` to the command line."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "soak",
        help="begin, follow and report soak tests",
        description="Soak tests: a repaired machine's cycles counted and judged by a stated decision rule. The "
        "recorder must be running for all but list and show. Loadbook only measures: start the machine yourself.",
    )
    does = parser.add_subparsers(dest="does", metavar="WHAT", required=True)

    def sub(name: str, text: str, number: bool = True) -> argparse.ArgumentParser:
        one: argparse.ArgumentParser = does.add_parser(name, help=text, description=text)
        one.add_argument("--config", type=Path, required=True, metavar="FILE", help="settings file of the site")
        if number:
            one.add_argument("number", metavar="TEST", help="the test's number, as 2026-0007")
        return one

    sub("list", "list the tests, the newest first", number=False)
    sub("show", "say where a test stands and what happened")
    begin = sub("begin", "begin a test", number=False)
    begin.add_argument("--machine", required=True, metavar="ID", help="the machine's id")
    begin.add_argument("--programme", metavar="ID", help="its programme (default: any, as it is run)")
    begin.add_argument("--cycles", type=int, metavar="N", help="how many cycles")
    begin.add_argument("--until", metavar="TIME", help="or until when, as 2026-11-26T07:00 on the site's clocks")
    begin.add_argument("--pause-min", type=float, default=30.0, metavar="MIN", help="longest pause between cycles, min "
                       "(default: 30)")  # fmt: skip
    for name in TEXTS:
        begin.add_argument(f"--{name.replace('_', '-')}", default="", metavar="TEXT", help=f"{words.plain(name)}, for "
                           "the report")  # fmt: skip
    for name, text in (
        ("note", "write a note in a test's diary"),
        ("pause", "pause a test: cycles begun meanwhile do not count"),
        ("resume", "let a paused test go on"),
        ("end", "end a test"),
    ):
        one = sub(name, text)
        one.add_argument("--by", required=True, metavar="NAME", help="who says so")
        one.add_argument("--text", default="", metavar="TEXT", help="the note, or why")
    report = sub("report", "issue a test's report")
    report.add_argument("--by", required=True, metavar="NAME", help="who authorises it")
    report.add_argument("--remark", default="", metavar="TEXT", help="remark for the customer")
    report.add_argument("--pdf", type=Path, metavar="FILE", help="write it as PDF to FILE too")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Exit status 0, or 2 where it is refused."""
    settings = load_settings(args.config)
    folder = args.config.resolve().parent
    try:
        if args.does == "list":
            return _list(settings, folder)
        if args.does == "show":
            return _show(args.number, settings, folder)
        if args.does == "begin":
            with _asker(settings, folder) as asker:
                print(f"test {asker.ask('soak_order', order=_order(args, settings))['number']} has begun")
        elif args.does == "report":
            _report(args, settings, folder)
        else:
            _test(args.number, settings, folder)
            with _asker(settings, folder) as asker:
                asker.ask(f"soak_{args.does}", number=args.number, by=args.by, text=args.text)
            print(f"test {args.number}: done")
    except RefusedError as refused:
        raise InputError(str(refused).rstrip(".")) from None
    return 0


@contextmanager
def _asker(settings: Settings, folder: Path) -> Iterator[MqttAsker]:
    """A connection to the recorder, for a question or two. Raises StartError where there is no broker."""
    topics = Topics(settings.site.name)
    client = Client(settings.broker, "soak", folder=folder)
    asker = MqttAsker(lambda request: client.publish(topics.request, json.dumps(request, ensure_ascii=False)))

    def answered(_topic: str, payload: bytes) -> None:
        asker.answered(json.loads(payload))

    client.subscribe(topics.answer, answered)
    client.start()  # the subscription goes out before anything that is asked: one connection, in order
    try:
        yield asker
    finally:
        client.stop()


def _ledger(settings: Settings, folder: Path) -> Any:
    return closing(read_only(folder / settings.store.folder / LEDGER_FILE))


def _test(number: str, settings: Settings, folder: Path) -> SoakTest:
    with _ledger(settings, folder) as db:
        test = soak_ledger.read_test(db, number)
    if test is None:
        raise InputError(f"there is no soak test {number!r}; see loadbook soak list")
    return test


def _order(args: argparse.Namespace, settings: Settings) -> dict[str, Any]:
    order: dict[str, Any] = {name: getattr(args, name) for name in TEXTS}
    order |= {"machine": args.machine, "programme": args.programme, "pause_max_s": args.pause_min * 60}
    if args.cycles is not None:
        order["cycles"] = args.cycles
    if args.until:
        try:
            at = datetime.fromisoformat(args.until)
        except ValueError:
            raise InputError(f"--until: {args.until!r} is no time; write it as 2026-11-26T07:00") from None
        zone = words.site_time(settings.site.time_zone).zone
        order["until_ms"] = round((at if at.tzinfo else at.replace(tzinfo=zone)).timestamp() * 1000)
    return order


def _list(settings: Settings, folder: Path) -> int:
    now_ms = clock_of_environment().now_ms()
    with _ledger(settings, folder) as db:
        tests = soak_ledger.read_tests(db)
        for test in tests:
            now = soak_ledger.progress_of(db, test, now_ms)
            overdue = ", overdue" if now.overdue else ""
            print(f"{test.number}  {test.machine}  {place(now)}, {STATE_WORDS[now.state].lower()}{overdue}")
    if not tests:
        print("No soak test has been ordered yet.")
    return 0


def _show(number: str, settings: Settings, folder: Path) -> int:
    test = _test(number, settings, folder)
    now_ms = clock_of_environment().now_ms()
    time = words.site_time(settings.site.time_zone)
    with _ledger(settings, folder) as db:
        found = gather(db, test)
        now = soak_ledger.progress_of(db, test, now_ms)
        reports = soak_ledger.read_reports(db, test.id)
    print(f"Soak test {number}: {found.machine.machine.name}")
    for line in night(test.order, now, found.alerts, found.machine, time):
        print(f"  {line}")
    print(f"{VERDICT_WORDS[found.verdict.finding]}. {found.verdict.sentence}")
    for entry in test.entries:
        by = f", {entry.author}" if entry.author else ""
        text = f": {entry.text}" if entry.text else ""
        print(f"  {time.when(entry.at_ms, now_ms)}{by}: {ENTRY_WORDS[entry.kind]}{text}")
    for report in reports:
        print(f"  report {report.id}, issued {time.when(report.issued_ms, now_ms)} by {report.authorised_by}")
    return 0


def _report(args: argparse.Namespace, settings: Settings, folder: Path) -> None:
    test = _test(args.number, settings, folder)
    remark, now_ms = Remark(args.by, args.remark), clock_of_environment().now_ms()
    with (
        _asker(settings, folder) as asker,
        _ledger(settings, folder) as db,
        closing(open_reader(settings, folder)) as readings,
    ):
        report_id, html = issue(asker, gather(db, test), readings, settings, remark=remark, now_ms=now_ms)
    print(f"report {report_id} is issued")
    if args.pdf:
        try:
            args.pdf.write_bytes(pdf_of_html(for_paper(html)))
        except OSError as bad:
            raise StartError(f"{args.pdf}: cannot be written: {(bad.strerror or str(bad)).lower()}") from None
        print(f"{args.pdf} written")
