"""Writes simulated logs with their truth: ``python -m loadbook.simulate.write --out DIR``. The only file here that
touches files. The same arguments give the same bytes."""

from __future__ import annotations

import argparse
import gzip
import io
import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from loadbook.simulate import catalogue
from loadbook.simulate.catalogue import Scenario
from loadbook.simulate.metering import csv_text, stamp
from loadbook.simulate.model import machine_toml
from loadbook.simulate.truth import as_json


def packed(text: str) -> bytes:
    """Gzipped, without a time or a name inside, so that the same text gives the same bytes."""
    out = io.BytesIO()
    with gzip.GzipFile(fileobj=out, mode="wb", filename="", mtime=0) as file:
        file.write(text.encode("utf-8"))
    return out.getvalue()


@dataclass(frozen=True)
class Written:
    """A scenario as text: the log, and its truth as a JSON object."""

    log: str
    truth: dict[str, Any]


def written(scenario: Scenario, machine_file: str) -> Written:
    """Play a scenario and put it into the outside forms."""
    made = scenario.make()

    def iso(at_s: float) -> str:
        return stamp(scenario.start, scenario.clock_s(at_s))

    about = {
        "scenario": scenario.name, "machine_file": machine_file, "machine": scenario.model.id, "fault": scenario.fault,
        "seed": scenario.seed, "note": scenario.note,
    }  # fmt: skip
    return Written(csv_text(made.rows, scenario.start, scenario.offset_h), as_json(made.truth, iso, **about))


def write(scenarios: Iterator[Scenario] | list[Scenario], folder: Path, machines: Path | None = None) -> int:
    """Each scenario's log (gzipped) and truth into ``folder``; machine files into ``machines`` (default: beside).

    Returns the number of logs."""
    folder.mkdir(parents=True, exist_ok=True)
    count = 0
    for scenario in scenarios:
        name = f"{scenario.model.id}.toml"
        where = folder if machines is None else machines
        where.mkdir(parents=True, exist_ok=True)
        (where / name).write_text(machine_toml(scenario.model, scenario.model.remark), encoding="utf-8")
        got = written(scenario, name if machines is None else f"../config/machines/{name}")
        (folder / f"{scenario.name}.csv.gz").write_bytes(packed(got.log))
        text = json.dumps(got.truth, indent=1, ensure_ascii=False)
        (folder / f"{scenario.name}.truth.json").write_text(text + "\n", encoding="utf-8")
        count += 1
    return count


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m loadbook.simulate.write", description=__doc__)
    parser.add_argument("--out", type=Path, required=True, help="folder for logs and truths")
    parser.add_argument("--set", choices=("replay", "bench"), default="replay", help="the replay logs, or the bench's")
    parser.add_argument("--machine", help="only this machine")
    parser.add_argument("--seeds", type=int, default=1, help="bench: seeds per fault")
    parser.add_argument("--healthy", type=int, default=2, help="bench: healthy runs per programme")
    args = parser.parse_args()
    if args.set == "replay":
        count = write(catalogue.replay_scenarios(), args.out, args.out.parent / "config" / "machines")
    else:
        scenarios = list(catalogue.bench_scenarios(seeds=args.seeds, healthy=args.healthy, only=args.machine))
        count = write(scenarios, args.out)
    print(f"{count} logs in {args.out}")


if __name__ == "__main__":
    main()
