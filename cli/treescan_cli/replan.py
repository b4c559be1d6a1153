"""``treescan replan``: plan the rest from where the tree is now."""

from __future__ import annotations

import argparse
from pathlib import Path

from treescan.errors import EXIT_DONE, EXIT_NO_PLAN
from treescan_cli.console import dated, list_outputs, print_json, progress, say
from treescan_cli.options import add_output, add_print, add_seed, add_shared

NAME = "replan"
HELP = "plan the rest from where the tree is now: steps done, limbs gone, rain, crew, own changes"

PREFERENCES = ("balanced", "least load", "most clearance", "fastest", "fewest anchor moves")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of ``replan``."""
    parser.add_argument(
        "folder", type=Path, metavar="DIR", help="result folder of the earlier plan"
    )
    parser.add_argument(
        "--done", action="append", default=[], metavar="STEPS", help="steps that are down: 1-6"
    )
    parser.add_argument(
        "--gone", action="append", default=[], type=int, metavar="LIMB", help="a limb that is down"
    )
    parser.add_argument(
        "--lost", action="append", default=[], metavar="ANCHOR", help="an anchor not to be used"
    )
    parser.add_argument(
        "--set",
        action="append",
        default=[],
        metavar="KEY=VALUE",
        help="change the site, e.g. conditions.wet=true or crew.ground=1",
    )
    parser.add_argument(
        "--edited",
        type=Path,
        metavar="FILE",
        help="a copy of plan.json with steps changed by hand (node, method, tie, anchor, order), or"
        ' a JSON list such as [{"do": "merge", "node": 7}, {"do": "split", "node": 9}, {"do": "move'
        ' cut", "node": 3, "to": 4}, {"do": "force", "node": 5, "tie": "tip", "anchor": "A2"},'
        ' {"do": "order", "nodes": [5, 3]}]; checked and flagged, kept in every later plan',
    )
    parser.add_argument(
        "--prefer",
        choices=PREFERENCES,
        default="",
        help="choose this whole plan instead of the one the planner would",
    )
    parser.add_argument(
        "--why",
        action="append",
        default=[],
        type=int,
        metavar="NODE",
        help="say why this node of tree.json is no anchor, or what it carries in the plan",
    )
    add_seed(parser)
    add_output(parser)
    add_print(parser)
    add_shared(parser)


def run(args: argparse.Namespace) -> int:
    """Plan the rest; returns the exit status."""
    from treescan.pipeline.outputs import write_outputs
    from treescan.pipeline.replanning import Changes, replan_folder, step_numbers, write_state
    from treescan.pipeline.staging import check_free, staged_folder
    from treescan.pipeline.summary import plan_lines, summary_document

    check_free(args.out, overwrite=args.overwrite)
    changes = Changes(
        done=step_numbers(args.done),
        gone=frozenset(args.gone),
        lost_anchors=frozenset(args.lost),
        set_site=tuple(args.set),
        edited=args.edited,
        seed=args.seed,
        prefer=args.prefer,
        why=tuple(args.why),
        hold=True,
    )
    with progress(quiet=args.quiet) as report:
        result, state = replan_folder(args.folder, changes, report)
        report("Writing the results", 0.0)
        with staged_folder(args.out, overwrite=args.overwrite) as folder:
            write_outputs(dated(result), folder, units=args.units, paper=args.paper, rows=args.rows)
            write_state(folder, state)
    plan = result.plan
    assert plan is not None
    for line in (*plan.cautions[: 1 + len(changes.why)], *plan_lines(result, args.units)):
        say(line, quiet=args.quiet)
    list_outputs(args.out, quiet=args.quiet)
    if args.json:
        print_json(summary_document(result, args.out))
    if not plan.feasible:
        say(f"treescan: no plan keeps every limit. {plan.smallest_change}")
        return EXIT_NO_PLAN
    return EXIT_DONE
