"""Matching: every piece from the right block, sawn right, with proof."""

from facademap.match.donors import order_of_work, solve_with_donors
from facademap.match.explanation import (
    Explanation,
    RankedBlock,
    RuledOut,
    StoneWanted,
    cost_to_insist,
    explain,
    stone_wanted,
)
from facademap.match.problem import Block, Face, Flaw, Lock, Params, Problem, Repair
from facademap.match.remainders import Remainder, remainders_of
from facademap.match.replay import replay
from facademap.match.saw_model import Blank, SawOrder, SawPlan, SawStep
from facademap.match.saw_tables import Refused, sawing_of
from facademap.match.sawing import saw, saw_plan
from facademap.match.solids import Solid
from facademap.match.solution import Placement, Quality, Slabs, Solution, Unmatched
from facademap.match.solver import Progress, solve
from facademap.match.verification import Violation, recount_objective, verify
from facademap.match.whatif import (
    PlanComparison,
    Premises,
    RepairChange,
    compare_plans,
    premises_of,
    solve_again,
)

__all__ = [
    "Blank",
    "Block",
    "Explanation",
    "Face",
    "Flaw",
    "Lock",
    "Params",
    "Placement",
    "PlanComparison",
    "Premises",
    "Problem",
    "Progress",
    "Quality",
    "RankedBlock",
    "Refused",
    "Remainder",
    "Repair",
    "RepairChange",
    "RuledOut",
    "SawOrder",
    "SawPlan",
    "SawStep",
    "Slabs",
    "Solid",
    "Solution",
    "StoneWanted",
    "Unmatched",
    "Violation",
    "compare_plans",
    "cost_to_insist",
    "explain",
    "order_of_work",
    "premises_of",
    "recount_objective",
    "remainders_of",
    "replay",
    "saw",
    "saw_plan",
    "sawing_of",
    "solve",
    "solve_again",
    "solve_with_donors",
    "stone_wanted",
    "verify",
]
