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
from facademap.match.sawing import Remainder, SawCut, SawnPiece, SawnSlab, SawPlan, saw_plan
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
    "Remainder",
    "Repair",
    "RepairChange",
    "RuledOut",
    "SawCut",
    "SawPlan",
    "SawnPiece",
    "SawnSlab",
    "Slabs",
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
    "saw_plan",
    "solve",
    "solve_again",
    "solve_with_donors",
    "stone_wanted",
    "verify",
]
