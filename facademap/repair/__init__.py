"""Treatment rules, cut-outs, pieces, fixings, materials, handling, sequence, stages, workmanship."""

from facademap.repair.criteria import Criteria, Criterion, judge, read_criteria
from facademap.repair.dust import DUST_TASKS, DustAdvice, dust_controls
from facademap.repair.handling import (
    Lift,
    hse_filter_kg,
    niosh_lift,
    scaffold_load,
    stack_loads,
    stone_weight,
)
from facademap.repair.make_safe import make_safe_list, next_cycle, safety_class
from facademap.repair.measured import piece_as_measured, place_still_fits, read_measured
from facademap.repair.mixes import BINDERS, MIXES, Binder, Mix, batch, mix_named, strength_faults
from facademap.repair.mortar import hole_volume_m3, mortar_volumes
from facademap.repair.offsets import offset_edges
from facademap.repair.pieces import Gap, PieceDesign, design_pieces
from facademap.repair.pins import Pin, PinLayout, drilling_template, set_out_pins
from facademap.repair.placing import Weather, curing_time_h, placing_rules, weather_faults
from facademap.repair.planning import RepairPlan, carry_ids, plan_cut_outs, plan_repairs
from facademap.repair.profile_checks import ProfileCheck, check_profile
from facademap.repair.removed import original_stone_removed
from facademap.repair.replanning import Replan, replan
from facademap.repair.rules import Rule, RuleTable, read_rules
from facademap.repair.schedule import (
    Job,
    Schedule,
    ScheduleProblem,
    bars,
    day_list,
    jobs_from_repairs,
    neighbours_out,
    top_down,
)
from facademap.repair.schedule_check import check_schedule
from facademap.repair.schedule_solver import solve_schedule
from facademap.repair.settings import Settings, TradeValue, read_profile
from facademap.repair.stages import (
    CheckState,
    check_states,
    correct_entry,
    effective_entries,
    enter_stage,
    next_stages,
    record_check,
)
from facademap.repair.stonework import Stone, Stonework
from facademap.repair.tools import SawCheck, check_saw
from facademap.repair.treatments import Overrule, decide_treatments
from facademap.repair.work_hours import Hours, WorkRates, hours_of_repair
from facademap.repair.workmanship import (
    Assessment,
    Standard,
    assess_workmanship,
    read_standard,
    without_names,
)

__all__ = [
    "BINDERS",
    "DUST_TASKS",
    "MIXES",
    "Assessment",
    "Binder",
    "CheckState",
    "Criteria",
    "Criterion",
    "DustAdvice",
    "Gap",
    "Hours",
    "Job",
    "Lift",
    "Mix",
    "Overrule",
    "PieceDesign",
    "Pin",
    "PinLayout",
    "ProfileCheck",
    "RepairPlan",
    "Replan",
    "Rule",
    "RuleTable",
    "SawCheck",
    "Schedule",
    "ScheduleProblem",
    "Settings",
    "Standard",
    "Stone",
    "Stonework",
    "TradeValue",
    "Weather",
    "WorkRates",
    "assess_workmanship",
    "bars",
    "batch",
    "carry_ids",
    "check_profile",
    "check_saw",
    "check_schedule",
    "check_states",
    "correct_entry",
    "curing_time_h",
    "day_list",
    "decide_treatments",
    "design_pieces",
    "drilling_template",
    "dust_controls",
    "effective_entries",
    "enter_stage",
    "hole_volume_m3",
    "hours_of_repair",
    "hse_filter_kg",
    "jobs_from_repairs",
    "judge",
    "make_safe_list",
    "mix_named",
    "mortar_volumes",
    "neighbours_out",
    "next_cycle",
    "next_stages",
    "niosh_lift",
    "offset_edges",
    "original_stone_removed",
    "piece_as_measured",
    "place_still_fits",
    "placing_rules",
    "plan_cut_outs",
    "plan_repairs",
    "read_criteria",
    "read_measured",
    "read_profile",
    "read_rules",
    "read_standard",
    "record_check",
    "replan",
    "safety_class",
    "scaffold_load",
    "set_out_pins",
    "solve_schedule",
    "stack_loads",
    "stone_weight",
    "strength_faults",
    "top_down",
    "weather_faults",
    "without_names",
]
