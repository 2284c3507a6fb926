"""Sphinx settings of the facademap pages."""

project = "facademap"
author = "The facademap developers"
copyright = "2026, the facademap developers"
extensions = ["myst_parser", "sphinx.ext.autodoc", "sphinx.ext.autosummary", "numpydoc"]
source_suffix = {".md": "markdown", ".rst": "restructuredtext"}
exclude_patterns = ["_build"]
html_theme = "furo"
html_title = "facademap"
numpydoc_show_class_members = False
# arrays are told by their sections, with shape and unit; signatures stay short
autodoc_type_aliases = {name: name for name in ("ArrayLike", "Floats", "Flags", "Mask", "Bytes")}
suppress_warnings = ["myst.header"]
