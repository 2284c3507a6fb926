"""Write the page of formats from the list of tables: ``python -m docs.formats > docs/formats.md``."""

from __future__ import annotations

from facademap.tasks.survey.template import formats_page

if __name__ == "__main__":
    print(formats_page())
