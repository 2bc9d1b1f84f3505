"""``loadbook people``: who may sign in at the dashboard, which scripts may ask. Prints no passphrase and no token."""

from __future__ import annotations

import argparse
import getpass
import os
import sys
from pathlib import Path
from typing import Any

from loadbook.clock import clock_of_environment
from loadbook.errors import InputError, StartError
from loadbook.files import load_settings
from loadbook.store.people import MAY, PeopleRows

from loadbook_dashboard import words
from loadbook_dashboard.people import People, checked_name


def register(subparsers: Any) -> None:
    """Add ``people`` to the command line."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "people",
        help="who may sign in at the dashboard",
        description="Makes people known to the dashboard, each with a passphrase of their own, and gives tokens to "
        "scripts. A passphrase is asked for without being shown (or read from standard input) and kept as a hash. As "
        "long as nobody is known, a dashboard on loopback is free and one on the network shows nothing.",
    )
    does = parser.add_subparsers(dest="does", metavar="WHAT", required=True)

    def sub(name: str, text: str, *arguments: tuple[str, str]) -> argparse.ArgumentParser:
        one: argparse.ArgumentParser = does.add_parser(name, help=text, description=text)
        one.add_argument("--config", type=Path, required=True, metavar="FILE", help="settings file of the site")
        for argument, means in arguments:
            one.add_argument(argument, metavar=argument.upper(), help=means)
        return one

    sub("list", "list people and scripts")
    add = sub("add", "make somebody known; asks for the passphrase", ("name", "as it is to stand beside what is done"))
    add.add_argument("--may", choices=MAY, default="change", help="look only, or change things too (default: change)")
    sub("passphrase", "give somebody another passphrase; signs him out", ("name", "the person"))
    sub("remove", "take somebody out; signs him out", ("name", "the person"))
    script = sub("script", "give a script a token, written into a file", ("label", "what the script is for"))
    script.add_argument("--to", type=Path, required=True, metavar="FILE", help="where the token goes (mode 0600)")
    script.add_argument("--may", choices=MAY, default="look", help="look only, or change things too (default: look)")
    sub("script-remove", "take a script's token back", ("label", "the script"))
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Exit status 0, or 2 where it is refused."""
    settings = load_settings(args.config)
    rows = PeopleRows(args.config.resolve().parent / settings.store.folder)
    people, now_ms = People(rows), clock_of_environment().now_ms()
    match args.does:
        case "list":
            _list(rows, words.site_time(settings.site.time_zone), now_ms)
        case "add":
            if rows.person(checked_name(args.name)) is not None:
                raise InputError(
                    f"{args.name!r} is known already; give another passphrase with: loadbook people passphrase"
                )
            people.put(args.name, _asked(), args.may, now_ms)
            print(f"{checked_name(args.name)} may sign in and {_words(args.may)}.")
        case "passphrase":
            person = rows.person(args.name)
            if person is None:
                raise InputError(f"nobody is called {args.name!r}; see loadbook people list")
            people.put(person.name, _asked(), person.may, now_ms)
            print(f"{person.name} has another passphrase and is signed out.")
        case "remove":
            if not rows.there() or not rows.remove_person(args.name):
                raise InputError(f"nobody is called {args.name!r}; see loadbook people list")
            print(f"{args.name} may no longer sign in.")
        case "script":
            _write(args.to, people, args.label, args.may, now_ms)
            print(f"{checked_name(args.label)} may {_words(args.may)} with the token in {args.to}.")
        case _:
            if not rows.there() or not rows.remove_script(args.label):
                raise InputError(f"no script is called {args.label!r}; see loadbook people list")
            print(f"The token of {args.label} is worth nothing any more.")
    return 0


def _words(may: str) -> str:
    return "look and change things" if may == "change" else "look"


def _asked() -> str:
    """A passphrase, typed twice without being shown, or one line of standard input."""
    if not sys.stdin.isatty():
        return sys.stdin.readline().rstrip("\r\n")
    first = getpass.getpass("Passphrase: ")
    if getpass.getpass("The same again: ") != first:
        raise InputError("passphrase: was not typed the same twice; nothing was changed")
    return first


def _write(path: Path, people: People, label: str, may: str, now_ms: int) -> None:
    """The token into a new file that nobody else may read."""
    checked_name(label)
    try:
        out = os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600)
    except FileExistsError:
        raise InputError(f"--to {path}: is there already; name a new file") from None
    except OSError as bad:
        raise StartError(f"--to {path}: cannot be written: {(bad.strerror or str(bad)).lower()}") from None
    with os.fdopen(out, "w", encoding="utf-8") as file:
        file.write(people.new_token(label, may, now_ms) + "\n")


def _list(rows: PeopleRows, time: words.SiteTime, now_ms: int) -> None:
    for person in rows.people():
        print(f"{person.name}: may {_words(person.may)}, since {time.when(person.since_ms, now_ms)}")
    for script in rows.scripts():
        used = f"last used {time.when(script.used_ms, now_ms)}" if script.used_ms else "never used"
        print(f"script {script.label}: may {_words(script.may)}, {used}")
    if not rows.people() and not rows.scripts():
        print("Nobody is known yet: loadbook people add NAME")
