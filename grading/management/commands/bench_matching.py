"""Print the benchmark of matching, and fail when a floor is missed."""

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError

from grading.proof.benchmark import CASES, PLAN_CASES, BenchmarkRow, PlanRow, Rival, measure, measure_plan

HEADINGS = (
    "pool",
    "ours",
    "bound",
    "gap",
    "proven",
    "s",
    "cpu s",
    "MB",
    "ours/greedy",
    "general solver",
    "ours/solver",
    "blossom",
    "one CPU",
    "floor",
)

PLAN_HEADINGS = ("plan", "income", "bound", "gap", "s", "cpu s", "ours/by hand", "floor")


class Command(BaseCommand):
    help = "Run matching on the benchmark pools beside greedy, a general solver and blossom matching."
    requires_system_checks = []

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument(
            "--pools",
            type=Path,
            default=settings.BASE_DIR.parent / "shared" / "pools",
            help="folder of pool-N.csv files; pools not found there are simulated",
        )
        parser.add_argument("--only", type=int, nargs="+", metavar="N", help="only the pools of these sizes")
        parser.add_argument(
            "--solver-seconds",
            type=float,
            default=60.0,
            help="time for the general solver on each pool, 0 to leave it out",
        )
        parser.add_argument(
            "--one-processor", action="store_true", help="run again on one processor and compare the answers"
        )
        parser.add_argument("--seed", type=int, default=0)

    def handle(self, *args: Any, **options: Any) -> None:
        cases = [case for case in CASES if options["only"] is None or case.count in options["only"]]
        missed = []
        self.stdout.write(" | ".join(HEADINGS))
        for case in cases:
            row = measure(
                case,
                options["pools"],
                solver_seconds=options["solver_seconds"],
                one_processor=options["one_processor"],
                seed=options["seed"],
            )
            self.stdout.write(" | ".join(_cells(row)))
            self.stdout.flush()
            missed += [f"{case.name}: {failure}" for failure in row.failures]
        plans = [case for case in PLAN_CASES if options["only"] is None or case.count in options["only"]]
        if plans:
            self.stdout.write(" | ".join(PLAN_HEADINGS))
        for asked in plans:
            planned = measure_plan(asked, options["pools"], options["seed"])
            self.stdout.write(" | ".join(_plan_cells(planned)))
            self.stdout.flush()
            missed += [f"{asked.name}: {failure}" for failure in planned.failures]
        if missed:
            raise CommandError("Floors missed. " + "; ".join(missed))
        self.stdout.write(f"{len(cases)} pools and {len(plans)} plans, every floor reached.")


def _cells(row: BenchmarkRow) -> list[str]:
    ours = row.ours
    return [
        row.case.name + ("" if row.from_file else " (simulated)"),
        f"{ours.value:g}",
        f"{ours.bound:g}",
        f"{ours.gap:.2%}",
        "yes" if ours.proven else "no",
        f"{ours.seconds:.1f}",
        f"{row.cpu_seconds:.1f}",
        f"{row.megabytes:.0f}",
        f"{ours.value:g}/{row.greedy.value:g} = {ours.value / row.greedy.value:.3f}",
        _rival(row.general),
        f"{ours.value / row.general.value:.3f}" if row.general and row.general.value else "-",
        _rival(row.blossom),
        {True: "same", False: "DIFFERS", None: "-"}[row.same_on_one],
        "; ".join(row.failures) or "reached",
    ]


def _plan_cells(row: PlanRow) -> list[str]:
    return [
        f"{row.case.count} valves, {row.case.name}",
        f"{row.value:g}",
        f"{row.bound:g}",
        f"{(row.bound - row.value) / row.bound:.2%}",
        f"{row.seconds:.1f}",
        f"{row.cpu_seconds:.1f}",
        f"{row.value:g}/{row.by_hand:g} = {row.value / row.by_hand:.3f}",
        "; ".join(row.failures) or "reached",
    ]


def _rival(rival: Rival | None) -> str:
    if rival is None:
        return "-"
    bound = "" if rival.bound == rival.value else f" (bound {rival.bound:g})"
    return f"{rival.value:g}{bound} in {rival.seconds:.1f} s"
