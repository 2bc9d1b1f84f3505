"""How well recognition and judgement do, in one command and one table.

    .venv/bin/python tests/bench/recognition.py                      every machine, every fault, one seed
    ... --machine quay-washer-1 --fault heater-open --seeds 3        a part of it
    ... --healthy 20 --seeds 3                                       more runs, for false alerts
    ... --no-sim                                             only how fast it is
    ... --failing DIR                                                logs, truths and what was said, where it fails
    ... --real DIR                                                   the labelled real traces in DIR as well

Truth comes from the simulator (and from hand labels), never from the recogniser.
"""

from __future__ import annotations

import argparse
import json
import statistics
import sys
import time
from collections import defaultdict
from collections.abc import Iterator
from itertools import chain
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))

from loadbook.simulate import catalogue
from loadbook.simulate.catalogue import Scenario
from loadbook.simulate.faults import FAULTS
from loadbook.simulate.write import write
from randomised import unseen_models
from recognising import Heard, hear, series_of, truth_json
from scoring import Fault, Score, f1, score
from steps import StepScore, speed_table, step_scores

CHARTS = Path(__file__).resolve().parent / "charts"
"""Machine files of the labelled real traces, and ``map.json``."""


def run(scenario: Scenario, failing: Path | None, verbose: bool) -> tuple[Score, StepScore]:
    made = scenario.make()
    series = series_of(scenario, made)
    truth = truth_json(scenario, made)
    heard = hear(series, scenario.model.machine)
    result = score(truth, heard.said, heard.live)
    result.taken_back = len(heard.withdrawn)
    if result.failed and verbose:
        tell(result, heard)
    if result.failed and failing:
        write([scenario], failing)
        text = json.dumps(heard.said, indent=1)
        (failing / f"{scenario.name}.said.json").write_text(text, encoding="utf-8")
    return result, step_scores(series, made.truth.switches, scenario.start.timestamp(), with_pelt=False)


def tell(result: Score, heard: Heard) -> None:
    final = result.final_right / max(result.frames, 1)
    counts = f"{result.cycles_exact}/{result.cycles} (said {result.cycles_said})"
    print(f"-- {result.scenario}: frames {final:.3f}, cycles {counts}")
    for fault in result.faults:
        if not fault.named:
            print(f"     missed {fault.kind}: {fault.why}")
    for text in result.false:
        print(f"     false  {text}")
    if heard.withdrawn:
        print(f"     taken back: {', '.join(a.kind for a in heard.withdrawn)}")


def share(right: float, whole: float) -> str:
    return f"{right / whole:6.3f}" if whole else "     -"


def median(values: list[float]) -> str:
    return f"{statistics.median(values):6.1f}" if values else "     -"


def table(scores: list[Score], title: str) -> None:
    """One block of the table: by machine, then all."""
    print(f"\n{title}")
    print(
        f"{'machine':22s} {'logs':>5s} {'found':>6s} {'named':>6s} {'delay':>6s} {'over':>6s} {'false/24h':>9s} "
        f"{'extra':>6s} {'back':>5s} {'final':>6s} {'live':>6s} {'F1@5':>6s} {'F1@15':>6s} {'cycles':>6s} "
        f"{'progr':>6s} {'outc':>6s}"
    )
    groups: dict[str, list[Score]] = defaultdict(list)
    for one in scores:
        groups[one.machine].append(one)
    for name, rows in [*sorted(groups.items()), ("all", scores)]:
        faults = [f for s in rows for f in s.faults]
        healthy = [s for s in rows if not s.fault]
        hours = sum(s.running_s for s in healthy) / 3600
        false = sum(len(s.false) for s in healthy)
        extra = sum(len(s.false) for s in rows if s.fault)
        cycles, exact = sum(max(s.cycles, s.cycles_said) for s in healthy), sum(s.cycles_exact for s in healthy)
        frames = sum(s.frames for s in healthy)
        edges = {k: [sum(s.boundaries[k][i] for s in healthy) for i in range(3)] for k in (5, 15)}
        print(
            f"{name:22s} {len(rows):5d} {share(sum(f.found for f in faults), len(faults))} "
            f"{share(sum(f.named for f in faults), len(faults))} "
            f"{median([f.level_delay_s for f in faults if f.level_delay_s is not None])} "
            f"{median([f.overrun_delay_s for f in faults if f.overrun_delay_s is not None])} "
            f"{(false / hours * 24 if hours else 0):9.2f} {extra:6d} "
            f"{sum(s.taken_back for s in rows):5d} "
            f"{share(sum(s.final_right for s in healthy), frames)} {share(sum(s.live_right for s in healthy), frames)} "
            f"{f1(*edges[5]):6.3f} {f1(*edges[15]):6.3f} {share(exact, cycles)} "
            f"{share(sum(s.programmes_right for s in healthy), exact)} "
            f"{share(sum(s.outcomes_right for s in healthy), exact)}"
        )


def fault_table(faults: list[Fault]) -> None:
    groups: dict[str, list[Fault]] = defaultdict(list)
    for one in faults:
        groups[one.fault].append(one)
    print(f"\n{'fault':24s} {'n':>4s} {'found':>6s} {'named':>6s} {'delay s':>8s}  first miss")
    for name, rows in sorted(groups.items()):
        delays = [d for f in rows for d in (f.level_delay_s, f.overrun_delay_s) if d is not None]
        miss = next((f"{f.scenario}: {f.why}" for f in rows if not f.named), "")
        print(
            f"{name:24s} {len(rows):4d} {share(sum(f.found for f in rows), len(rows))} "
            f"{share(sum(f.named for f in rows), len(rows))} {median(delays):>8s}  {miss}"
        )


def scenarios_of(args: argparse.Namespace, seeds: int) -> Iterator[Scenario]:
    """What was asked for, with ``seeds`` of every fault."""
    if not args.unseen:
        return catalogue.bench_scenarios(seeds, args.healthy, args.machine, tuple(args.fault))
    return chain.from_iterable(
        catalogue.of_model(m, meter, seeds, args.healthy, tuple(args.fault))
        for m, meter in unseen_models(args.unseen, args.unseen_from)
        if args.machine in (None, m.id)
    )


def simulated(args: argparse.Namespace) -> None:
    """The tables of the simulated machines."""
    pairs = [run(s, args.failing, not args.quiet) for s in scenarios_of(args, args.seeds)]
    scores = [s for s, _ in pairs]
    fault_table([f for s in scores for f in s.faults])
    table(
        scores, "simulated machines (frames, edges, cycles, false: healthy; extra: false on faulty; back: taken back)"
    )
    counts = [sum(p.counts[i] for _, p in pairs) for i in range(3)]
    print(f"\nswitching steps within 3 s: F1 {f1(*counts):.3f} ({counts[1]} steps)")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--machine", help="only this machine")
    faults = [f.id for f in FAULTS]
    parser.add_argument(
        "--fault", action="append", default=[], choices=faults, metavar="FAULT",
        help=f"only this fault (may be given again): {', '.join(faults)}",
    )  # fmt: skip
    parser.add_argument("--seeds", type=int, default=1, help="seeds per fault")
    parser.add_argument("--healthy", type=int, default=3, help="healthy runs per programme")
    parser.add_argument("--failing", type=Path, help="folder for the logs that fail")
    parser.add_argument("--quiet", action="store_true", help="only the tables")
    parser.add_argument("--real", type=Path, help="folder with labelled real traces")
    parser.add_argument(
        "--charts",
        type=Path,
        default=CHARTS if CHARTS.is_dir() else None,
        help="their machine files and map.json (default: tests/bench/charts; without it, the traces' folder)",
    )
    parser.add_argument("--as-labelled", action="store_true", help="phases begin as labelled, not as their parts show")
    parser.add_argument("--learned", action="store_true", help="instead: charts learned from a few good cycles")
    parser.add_argument("--learn-from", type=int, default=3, help="so many good cycles")
    parser.add_argument("--no-chart", action="store_true", help="also: cycles and looks without a chart")
    parser.add_argument("--unseen", type=int, default=0, help="this many machines drawn from seeds instead")
    parser.add_argument(
        "--unseen-from",
        type=int,
        default=0,
        help="their first seed (from 1000 on: files as other people would write them)",
    )
    parser.add_argument("--no-sim", action="store_true", help="leave the simulated machines out")
    parser.add_argument("--no-speed", action="store_true", help="leave the speed table out")
    args = parser.parse_args()
    began_s = time.perf_counter()
    if args.learned:
        from learned import learned_tables  # noqa: PLC0415

        learned_tables(args)
        print(f"\ntook {time.perf_counter() - began_s:.0f} s")
        return
    if not args.no_sim:
        simulated(args)
    if not args.no_speed:
        speed_table(next(catalogue.bench_scenarios(0, 1, args.machine)))
    if args.real:
        from reallogs import real_scores  # noqa: PLC0415

        real = real_scores(args.real, args.charts or args.real, None if args.quiet else tell, args.as_labelled)
        fault_table([f for s in real for f in s.faults])
        table(real, "real traces, hand labels; faults put into the traces")
    if args.no_chart:
        from nochart import nochart_table  # noqa: PLC0415

        runs = iter(()) if args.no_sim else scenarios_of(args, 0)
        nochart_table(runs, (args.real, args.charts or args.real) if args.real else None)
    print(f"\ntook {time.perf_counter() - began_s:.0f} s")


if __name__ == "__main__":
    main()
