"""Coverage-guided fuzzing of every decoder of what comes over a wire: only declared errors, only finite values.

    .venv/bin/python tests/fuzz/decoders.py                    every decoder, 30 s each
    .venv/bin/python tests/fuzz/decoders.py --only sml --seconds 600
    .venv/bin/python tests/fuzz/decoders.py --only together --runs 20000        the short form of CI

Exit status 1 and the offending bytes where one raises something else.
"""

from __future__ import annotations

import argparse
import math
import subprocess
import sys
from collections.abc import Callable, Iterable
from pathlib import Path

import atheris

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

with atheris.instrument_imports(include=["loadbook.meters", "loadbook.transport"]):
    from loadbook.errors import LoadbookError
    from loadbook.files import load_map
    from loadbook.meters.frames import Question, whole
    from loadbook.meters.registers import WrongRegistersError, decode
    from loadbook.meters.telegrams import obis, sml
    from loadbook.meters.telegrams.checks import DamagedError, crc_x25
    from loadbook.meters.telegrams.decode import pushed
    from loadbook.meters.telegrams.sign_on import identification
    from loadbook.transport import packs

from tests.meters.telegrams.examples import P1_V5, SML_ENTRIES, sml_frame  # noqa: E402 - after the instrumented imports

PUSH = b"/XYZ2demo\r\n\r\n1.8.0(000123.456*kWh)\r\n1.7.0(02.060*kW)\r\n!\r\n"
DELIMITED = b"\n230.1,8.957,2060.4,50.00,0.98,12345\n"
JSON = b'\n{"power": 2060.4, "voltage": 230.1, "energy": null}\n'
ANSWER = bytes.fromhex("01 04 02 00 0A 39 37")
SENML = b'[{"bn":"loadbook:site:m1:","bt":1.7e9,"n":"power","u":"W","v":120.1},{"n":"voltage","u":"V","v":230}]'


def finite(values: Iterable[float] | None) -> None:
    assert values is None or all(math.isfinite(v) for v in values), "a value that is no number"


def telegram(map_name: str, seven_bits: bool = False) -> Callable[[bytes], None]:
    meter_map = load_map(map_name, Path())

    def one(data: bytes) -> None:
        splitter, read = pushed(meter_map, seven_bits)
        for piece in (data[: len(data) // 2], data[len(data) // 2 :], b"!\r\n"):
            for found in splitter.feed(piece):
                try:
                    values = read(found)
                except DamagedError:
                    continue
                finite(values and values.values())

    return one


def inside_sml(data: bytes) -> None:
    """The fields of a frame whose checksum holds, so that fuzzing gets past it."""
    padding = -len(data) % 4
    body = (data + bytes(padding)).replace(sml.ESCAPE, sml.ESCAPE * 2)
    frame = sml.BEGIN + body + sml.END + bytes((padding,))
    try:
        finite(v.number for v in sml.values_of(frame + crc_x25(frame).to_bytes(2, "little")).values())
    except DamagedError:
        return


def text_of_obis(data: bytes) -> None:
    finite(v.number for v in obis.values_of(data.decode("ascii", "replace")).values())


def frame(data: bytes) -> None:
    asked = Question(1, 4, 0, 1)
    answer = asked.answer_in(data)
    assert answer is None or whole(answer)
    assert asked.blame(data)


REGISTERS = load_map("scaled16-low-word-energy", Path()).registers
assert REGISTERS


def words(data: bytes) -> None:
    answer = [int.from_bytes(data[at : at + 2], "big") for at in range(0, len(data), 2)]
    try:
        finite(decode(REGISTERS, [answer]).values())
    except WrongRegistersError:
        return


def sign_on(data: bytes) -> None:
    found = identification(data)
    if found is not None:
        try:
            assert found.speed_bd >= 300
        except DamagedError:
            return


def pack(data: bytes) -> None:
    try:
        packs.decode("site", data)
    except LoadbookError:
        return


TARGETS: dict[str, tuple[Callable[[bytes], None], bytes]] = {
    "p1": (telegram("p1-telegram"), P1_V5),
    "push": (telegram("iec62056-21-push"), PUSH),
    "push7": (telegram("iec62056-21-push", True), PUSH),
    "sml": (telegram("sml-frame"), sml_frame(SML_ENTRIES)),
    "inside_sml": (inside_sml, sml_frame(SML_ENTRIES)[8:-8]),
    "delimited": (telegram("delimited-line"), DELIMITED),
    "json": (telegram("json-line"), JSON),
    "obis": (text_of_obis, PUSH),
    "frame": (frame, ANSWER),
    "words": (words, bytes(18)),
    "sign_on": (sign_on, b"/Els6\\2EK280\r\n"),
    "senml": (pack, SENML),
}


TOGETHER = "together"
"""All decoders in one process, the first byte picks which: quick to start, less deep."""


def fuzz(name: str, seconds: int, runs: int) -> None:
    """Does not return: the fuzzer ends the process, with status 0 where nothing was found."""
    folder = Path(sys.argv[sys.argv.index("--corpus") + 1])
    names = sorted(TARGETS) if name == TOGETHER else [name]
    for place, one in enumerate(names):
        (folder / f"seed-{one}").write_bytes(bytes((place,)) + TARGETS[one][1])

    def target(data: bytes) -> None:
        if data:
            TARGETS[names[data[0] % len(names)]][0](data[1:])

    limits = [f"-runs={runs}"] if runs else [f"-max_total_time={seconds}"]
    options = [*limits, "-max_len=2048", "-verbosity=0", "-print_final_stats=0", f"-artifact_prefix={folder}/"]
    atheris.Setup([sys.argv[0], *options, str(folder)], lambda data: target(bytes(data)))
    atheris.Fuzz()


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only", choices=[*sorted(TARGETS), TOGETHER])
    parser.add_argument("--seconds", type=int, default=30)
    parser.add_argument("--runs", type=int, default=0, help="that many inputs instead of seconds")
    parser.add_argument("--corpus", help="(for the processes it starts)")
    args = parser.parse_args()
    if args.corpus:
        fuzz(args.only, args.seconds, args.runs)
    import tempfile  # noqa: PLC0415

    failed = []
    for name in [args.only] if args.only else sorted(TARGETS):
        with tempfile.TemporaryDirectory() as folder:
            limits = ["--seconds", str(args.seconds), "--runs", str(args.runs)]
            command = [sys.executable, __file__, "--only", name, *limits, "--corpus", folder]
            done = subprocess.run(command, capture_output=True, text=True, check=False)
            print(f"{name:12s} {'fine' if done.returncode == 0 else 'FAILED'}", flush=True)
            if done.returncode:
                failed.append(name)
                print(done.stdout[-3000:], done.stderr[-3000:], sep="\n")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
