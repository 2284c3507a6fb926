"""Results to bytes: condition map, drawings, cut tickets, quantities, exchange files.

Names are loaded when first used, since each writer brings a library of its own.
"""

from __future__ import annotations

from facademap.front_door import door

_HOMES = {
    "Content": "drawing_content",
    "Page": "page",
    "Quantities": "quantities",
    "Rates": "costs",
    "Ticket": "ticket_content",
    "draw_sheets": "drawings",
    "elevation_content": "drawing_content",
    "hatch_dots": "hatching",
    "hatch_lines": "hatching",
    "lay_out": "sheet_layout",
    "make_records": "records",
    "make_tickets": "ticket_content",
    "measure_quantities": "quantities",
    "place_labels": "labelling",
    "read_rates": "costs",
    "rectify_face": "face_picture",
    "write_cut_dxf": "cut_dxf",
    "write_cut_tickets": "tickets",
    "write_drawing_dxf": "exchange",
    "write_drawing_pdf": "drawings",
    "write_drawing_svg": "drawings",
    "write_labels": "stone_lists",
    "write_pdf": "pdf",
    "write_quantities_csv": "spreadsheet",
    "write_quantities_xlsx": "spreadsheet",
    "write_records": "records",
    "write_saw_plans": "saw_plans",
    "write_saw_steps": "saw_steps",
    "write_svg": "svg",
    "write_templates": "template_sheets",
    "write_wanted_csv": "stone_lists",
    "write_wanted_pdf": "stone_lists",
    "write_world_geojson": "exchange",
}

__all__ = [
    "Content",
    "Page",
    "Quantities",
    "Rates",
    "Ticket",
    "draw_sheets",
    "elevation_content",
    "hatch_dots",
    "hatch_lines",
    "lay_out",
    "make_records",
    "make_tickets",
    "measure_quantities",
    "place_labels",
    "read_rates",
    "rectify_face",
    "write_cut_dxf",
    "write_cut_tickets",
    "write_drawing_dxf",
    "write_drawing_pdf",
    "write_drawing_svg",
    "write_labels",
    "write_pdf",
    "write_quantities_csv",
    "write_quantities_xlsx",
    "write_records",
    "write_saw_plans",
    "write_saw_steps",
    "write_svg",
    "write_templates",
    "write_wanted_csv",
    "write_wanted_pdf",
    "write_world_geojson",
]


__getattr__ = door(__name__, _HOMES)
