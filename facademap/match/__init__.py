"""Matching: every piece from the right block, sawn right, with proof."""

from facademap.match.problem import Block, Face, Flaw, Lock, Params, Problem, Repair
from facademap.match.solution import Placement, Quality, Slabs, Solution, Unmatched
from facademap.match.solver import Progress, solve
from facademap.match.verification import Violation, recount_objective, verify

__all__ = [
    "Block",
    "Face",
    "Flaw",
    "Lock",
    "Params",
    "Placement",
    "Problem",
    "Progress",
    "Quality",
    "Repair",
    "Slabs",
    "Solution",
    "Unmatched",
    "Violation",
    "recount_objective",
    "solve",
    "verify",
]
