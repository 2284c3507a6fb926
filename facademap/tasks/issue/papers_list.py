"""The papers of a project: name, what they are made from, and how."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal

from facademap.errors import InputError
from facademap.io.plug_ins import loaded, offered
from facademap.report.costs import Rates
from facademap.report.quantities import Quantities
from facademap.tables import TABLES
from facademap.tables.names import file_name
from facademap.tasks.issue.papers_context import Context
from facademap.tasks.issue.papers_drawings import DRAWN, make_drawings

__all__ = ["MAP", "PAPERS", "Paper", "all_papers", "measured_as_planned"]

Files = Mapping[str, bytes]
Parts = Literal["", "repair", "block"]
_PLAN = (
    "elevations",
    "surfaces",
    "wall_stones",
    "openings",
    "conditions",
    "repairs",
    "pieces",
    "placements",
    "blocks",
    "faces",
)

_ALL = tuple(TABLES)
#: What each paper is made from: nothing else is handed to it.
_CUT = (
    "elevations",
    "surfaces",
    "wall_stones",
    "repairs",
    "pieces",
    "placements",
    "blocks",
    "faces",
)
_SAWN = ("wall_stones", "repairs", "pieces", "placements", "blocks", "faces")
_LISTED = ("repairs", "pieces", "placements", "blocks")
_RECORDED = (
    "elevations",
    "surfaces",
    "conditions",
    "repairs",
    "pieces",
    "placements",
    "faces",
    "work_log",
    "looks",
    "consents",
)
_TREATED = ("surfaces", "wall_stones", "conditions", "repairs", "trials", "consents")
_TICKETED = (*_CUT, "conditions", "consents")
_INSETS = ("wall_stones", "repairs", "pieces")
_READ = ("profile", "units")
_TRADE = (*_READ, "trade_values")
_GUIDE_SETTINGS = (
    *("name", "treatment_values", "criteria_path", "rules_path", "overrules", "matching"),
    *_TRADE,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Paper:
    """One paper.

    Parameters
    ----------
    name : str
        Name in the manifest and on the command line.
    code : str
        Two letters that the numbers of its issued papers begin with.
    title : str
        Shown while it is made.
    tables : tuple of str
        Tables that it is made from.
    settings : tuple of str or None
        Settings of the project that it is made from; all where ``None``.
    make : callable
        Gives file names inside the folder and their bytes.
    pictures : bool
        Whether picture files go into it.
    texts : str
        Folder of the project whose texts it is made from, beside the packaged ones.
    weight : float
        Rough share of the time.
    parts : {"", "repair", "block"}
        What its sheets are about, so that each of them is known to hold or not.
    """

    name: str
    code: str
    title: str
    tables: tuple[str, ...]
    make: Callable[[Context], Files]
    settings: tuple[str, ...] | None = ()
    pictures: bool = False
    texts: str = ""
    weight: float = 1.0
    parts: Parts = ""


def measured_as_planned(context: Context, rates: Rates | None = None) -> Quantities:
    """Quantities of the project by the choices of its papers; hours by the norms of ``rates`` where they have some."""
    from facademap.report.quantities import measure_quantities

    return measure_quantities(
        context.frames(_PLAN),
        least_void_m2=context.choices.least_void_m2,
        lift_height_m=context.trade_values.lift_height_m,
        labour_h=rates.labour_h if rates else None,
        blank_m3=context.blank_m3,
    )


def _quantities(context: Context) -> Files:
    from facademap.report.bill import face_of_stones, write_bill
    from facademap.report.bill_progress import measure_progress
    from facademap.report.bill_visits import price_visits
    from facademap.report.costs import read_rates
    from facademap.report.measures import Measures
    from facademap.report.rows import rows_of
    from facademap.report.spreadsheet import write_quantities_csv, write_quantities_xlsx
    from facademap.report.variations import against_contract, read_contract, value_variations
    from facademap.report.workbook_progress import Dealings
    from facademap.treatment import visits_of

    rates = (
        read_rates(context.choices.rates, source=context.choices.rates_name)
        if context.choices.rates
        else None
    )
    quantities = measured_as_planned(context, rates)
    if rates is not None:
        missing = rates.without_rate(quantities)
        if missing:
            context.warnings.append(
                f"no rate for {', '.join(missing)}: not in the costs; add rates for them"
            )
    progress = measure_progress(quantities, context.frames((*_PLAN, "work_log")), rates)
    variations = value_variations(context.frame("variations"), rates)
    contract = read_contract(context.project.setting("contract"))
    return {
        "quantities.xlsx": write_quantities_xlsx(
            quantities,
            project=context.name,
            rates=rates,
            say=Measures(context.inches),
            dealings=Dealings(
                progress=progress,
                variations=variations,
                contract=contract,
                lines=against_contract(contract, variations, quantities) if contract else (),
            ),
        ),
        "quantities.csv": write_quantities_csv(quantities),
        "bill-of-quantities.pdf": write_bill(
            quantities,
            project=context.name,
            paper=context.choices.paper,
            rates=rates,
            say=Measures(context.inches),
            stone_m2=face_of_stones(context.frame("wall_stones")),
            progress=progress,
            variations=variations,
            contract=contract,
            visits=price_visits(visits_of(rows_of(context.frame("repairs"))), quantities, rates),
        ),
    }


def _tickets(context: Context) -> Files:
    from facademap.report.ticket_content import make_tickets
    from facademap.report.tickets import write_cut_tickets

    tickets = make_tickets(
        context.frames(_TICKETED),
        project=context.name,
        settings=context.trade_values,
        link=context.link,
        criteria=context.criteria,
        sawing=context.sawing,
        steps=context.steps,
    )
    return {
        "cut-tickets.pdf": write_cut_tickets(
            tickets, pictures=context.face_pictures, paper=context.choices.paper
        )
    }


#: Sheets of templates above which larger ones are told: more than half an hour with scissors and glue (common practice).
_MANY_SHEETS = 30


def _templates(context: Context) -> Files:
    from facademap.report.template_sheets import sheets_of, too_large, write_templates
    from facademap.report.ticket_content import make_tickets

    tickets = make_tickets(
        context.frames(_CUT), project=context.name, settings=context.trade_values
    )
    sheet = context.choices.template_sheet or context.choices.paper
    for piece in too_large(tickets, paper=sheet):
        context.warnings.append(
            f"piece {piece} is too large for a template on {sheet}: use a larger sheet, a roll, or its DXF file with a plotter"
        )
    if (many := sheets_of(tickets, paper=sheet)) > _MANY_SHEETS:
        larger = ("ARCH D", "roll 36 in") if context.inches else ("A1", "roll 914")
        others = [f'{sheets_of(tickets, paper=name)} of "{name}"' for name in larger]
        context.warnings.append(
            f"templates take {many} sheets of {sheet}, since most pieces are larger than one: "
            f"{' or '.join(others)} (papers --template-sheet)"
        )
    return {f"templates-{file_name(sheet).lower()}.pdf": write_templates(tickets, paper=sheet)}


def _cut_dxf(context: Context) -> Files:
    from facademap.report.cut_dxf import write_cut_dxf
    from facademap.report.ticket_content import make_tickets

    return {
        f"dxf/{file_name(t.piece['id'])}.dxf": write_cut_dxf(t)
        for t in make_tickets(
            context.frames(_CUT), project=context.name, settings=context.trade_values
        )
        if not t.faults
    }


def _insets(context: Context) -> Files:
    from facademap.report.insets import go_through, insets_that_fail, write_insets

    frames = context.frames(_INSETS)
    insets = go_through(frames, context.trade_values)
    context.warnings += insets_that_fail(frames, insets)
    return {"insets.json": write_insets(frames, insets)}


def _saw_plans(context: Context) -> Files:
    from facademap.report.insets import go_through
    from facademap.report.saw_plans import write_saw_plans
    from facademap.report.saw_steps import write_saw_steps
    from facademap.tasks.plan.densities import densities_of_project

    frames = context.frames(_SAWN)
    plans, refused = context.sawing
    insets = go_through(frames, context.trade_values)
    for block in refused:
        context.warnings.append(
            f"{block.problem}: no saw plan for {', '.join(block.pieces)}; {block.remedy}"
        )
    return {
        "saw-plans.pdf": write_saw_plans(
            plans,
            refused,
            frames,
            densities=densities_of_project(context.project),
            held={piece for piece, (_, through) in insets.items() if through.faults},
            pictures=context.face_pictures,
            project=context.name,
            revision=context.revision(_SAWN),
            paper=context.choices.paper,
            inches=context.inches,
        ),
        "saw-steps.json": write_saw_steps(plans),
    }


def _lists(context: Context) -> Files:
    from facademap.report.stone_lists import write_labels, write_wanted_csv, write_wanted_pdf

    frames, paper = context.frames(_LISTED), context.choices.paper
    return {
        "stone-wanted.pdf": write_wanted_pdf(
            frames, project=context.name, paper=paper, inches=context.inches
        ),
        "stone-wanted.csv": write_wanted_csv(frames),
        "labels.pdf": write_labels(
            frames,
            link=context.link,
            project=context.name,
            paper=context.choices.label_sheet or paper,
            inches=context.inches,
        ),
    }


def _enquiries(context: Context) -> Files:
    from facademap.report.enquiry import write_enquiries

    return {
        "stone-enquiries.pdf": write_enquiries(
            context.frames((*_LISTED, "orders")),
            project=context.name,
            paper=context.choices.paper,
            inches=context.inches,
        )
    }


def _relief(context: Context) -> Files:
    from facademap.tasks.issue.papers_relief import make_relief_drawings

    return make_relief_drawings(context, DRAWN)


def _change(context: Context) -> Files:
    from facademap.tasks.issue.papers_change import make_change_papers

    return make_change_papers(context, DRAWN)


def _records(context: Context) -> Files:
    from facademap.report.records import make_records, write_records

    frames = context.frames(_RECORDED)
    records = make_records(frames, edits=context.edits_of_repairs(), inches=context.inches)
    return {
        "records.pdf": write_records(
            records,
            photo=context.photo,
            crop=context.surface_picture,
            project=context.name,
            link=context.link,
            paper=context.choices.paper,
        )
    }


def _jobs(context: Context) -> Files:
    from facademap.report.job_sheets import write_job_sheets, write_jobs_csv
    from facademap.report.rows import rows_of
    from facademap.tasks.plan.treatments import treatment_values_of_project
    from facademap.treatment import design_jobs, visits_of

    frames = context.frames(_TREATED)
    jobs = design_jobs(
        frames,
        settings=context.trade_values,
        values=treatment_values_of_project(context.project),
    )
    repairs = rows_of(frames["repairs"])
    return {
        "job-sheets.pdf": write_job_sheets(
            jobs,
            {str(r["id"]): r for r in repairs},
            {str(c["id"]): c for c in rows_of(frames["conditions"])},
            visits=visits_of(repairs),
            crop=context.surface_picture,
            project=context.name,
            paper=context.choices.paper,
            inches=context.trade_values.inches,
        ),
        "jobs.csv": write_jobs_csv(jobs),
    }


def _guide(context: Context) -> Files:
    from facademap.tasks.issue.guide import guide_files

    return guide_files(context)


def _guide_short(context: Context) -> Files:
    from facademap.tasks.issue.guide import guide_files

    return guide_files(context, short=True)


def _exchange(context: Context) -> Files:
    from facademap.report.exchange import write_world_geojson
    from facademap.report.quantities import measure_quantities
    from facademap.tasks.issue.papers_exchange import (
        write_data_dictionary,
        write_flat_files,
        write_geopackage,
    )

    frames = context.frames(_PLAN)
    quantities = measure_quantities(frames, blank_m3=context.blank_m3)
    files: dict[str, bytes] = {
        "exchange/exchange.gpkg": write_geopackage(context.project),
        "exchange/data-dictionary.csv": write_data_dictionary(),
        **write_flat_files(context.project),
    }
    for table in ("conditions", "repairs"):
        rows = quantities.conditions if table == "conditions" else quantities.repairs
        data = write_world_geojson(
            frames[table],
            frames["surfaces"],
            name=table,
            net_area_m2=dict(zip(rows["id"], rows["area_net_m2"], strict=True)),
        )
        if data is not None:
            files[f"{table}.geojson"] = data
    return files


PAPERS: tuple[Paper, ...] = (
    Paper(
        name="quantities",
        code="BQ",
        title="quantities",
        tables=(*_PLAN, "work_log", "variations"),
        settings=("name", "matching", "contract", *_TRADE),
        make=_quantities,
    ),
    Paper(
        name="tickets",
        code="CT",
        title="cut tickets",
        tables=(*_TICKETED, "photos"),
        settings=("name", "matching", "repair_link", "criteria_path", *_TRADE),
        make=_tickets,
        pictures=True,
        weight=3.0,
        parts="repair",
    ),
    Paper(
        name="templates",
        code="TM",
        title="full-size templates",
        tables=_CUT,
        settings=("name", *_TRADE),
        make=_templates,
        parts="repair",
    ),
    Paper(
        name="insets",
        code="IN",
        title="insets gone through",
        tables=_INSETS,
        settings=_TRADE,
        make=_insets,
        weight=0.5,
    ),
    Paper(
        name="cut-dxf",
        code="SD",
        title="drawing files for the saw",
        tables=_CUT,
        settings=("name", *_TRADE),
        make=_cut_dxf,
        parts="repair",
    ),
    Paper(
        name="saw-plans",
        code="SP",
        title="saw plans",
        tables=(*_SAWN, "photos"),
        settings=("name", "matching", "densities", *_TRADE),
        make=_saw_plans,
        pictures=True,
        weight=2.0,
        parts="block",
    ),
    Paper(
        name="lists",
        code="LS",
        title="stone wanted and labels",
        tables=_LISTED,
        settings=("name", *_READ, "repair_link"),
        make=_lists,
    ),
    Paper(
        name="enquiries",
        code="EQ",
        title="enquiries for stone",
        tables=(*_LISTED, "orders"),
        settings=("name", *_READ),
        make=_enquiries,
        weight=0.3,
    ),
    Paper(
        name="relief",
        code="RF",
        title="relief drawings",
        tables=DRAWN,
        settings=("name", *_READ),
        make=_relief,
        pictures=True,
        weight=2.0,
    ),
    Paper(
        name="change",
        code="CS",
        title="change between surveys",
        tables=DRAWN,
        settings=("name", "profile", "units"),
        make=_change,
        pictures=True,
        weight=2.0,
    ),
    Paper(
        name="drawings",
        code="DR",
        title="drawings to scale",
        tables=DRAWN,
        settings=("name", *_READ),
        make=make_drawings,
        pictures=True,
        weight=6.0,
    ),
    Paper(
        name="records",
        code="RS",
        title="record sheets",
        tables=(*_RECORDED, "photos"),
        settings=("name", *_READ, "repair_link"),
        make=_records,
        pictures=True,
        weight=3.0,
    ),
    Paper(
        name="job-sheets",
        code="JS",
        title="job sheets",
        tables=(*_TREATED, "photos"),
        settings=("name", "treatment_values", *_TRADE),
        make=_jobs,
        pictures=True,
        weight=2.0,
    ),
    Paper(
        name="guide",
        code="RG",
        title="repair guide",
        tables=(*_PLAN, "trials", "consents", "photos", "work_log"),
        settings=_GUIDE_SETTINGS,
        make=_guide,
        texts="guide",
        pictures=True,
        weight=2.0,
    ),
    Paper(
        name="guide-short",
        code="RT",
        title="repair guide, short version",
        tables=(*_PLAN, "trials", "consents", "photos", "work_log"),
        settings=_GUIDE_SETTINGS,
        make=_guide_short,
        texts="guide",
        pictures=True,
    ),
    Paper(
        name="exchange",
        code="XF",
        title="exchange files",
        tables=_ALL,
        settings=None,
        make=_exchange,
        pictures=True,
    ),
)


def _not_here(context: Context) -> Files:
    raise InputError("the condition map is no paper of this list", "Make it with facademap map.")


#: The condition map, which has a command of its own; whether it holds is told with the papers.
MAP = Paper(
    name="condition-map",
    code="CM",
    title="condition map",
    tables=(
        "surfaces",
        "elevations",
        "photos",
        "control_points",
        "wall_stones",
        "openings",
        "conditions",
        "repairs",
        "pieces",
        "blocks",
        "gauges",
        "gauge_readings",
        "faces",
        "placements",
        "plans",
        "reviews",
        "observations",
    ),
    settings=("name", "building", *_READ),
    make=_not_here,
    pictures=True,
)


def all_papers() -> tuple[Paper, ...]:
    """Our papers, then those of plug-ins.

    Raises
    ------
    InputError
        A plug-in fails, or offers something that is no paper or a name that is taken.
    """
    found = {p.name: p for p in PAPERS}
    for name in offered("papers"):
        paper = loaded("papers", name)
        if not isinstance(paper, Paper) or paper.name != name or name in (*found, MAP.name):
            raise InputError(
                f"the plug-in {name} offers no paper of that name, or one that is there already",
                "Tell its makers, or remove the package.",
            )
        found[name] = paper
    return tuple(found.values())
