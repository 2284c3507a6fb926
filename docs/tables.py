"""Write the page of tables from their contracts: ``python -m docs.tables > docs/tables.md``."""

from __future__ import annotations

from facademap.tables import TABLES


def page() -> str:
    """The page as Markdown."""
    lines = [
        "# Tables",
        "",
        "Every table of a project and its columns, made from the contracts in `facademap.tables`.",
        "",
    ]
    for table in TABLES.values():
        lines += [
            f"## {table.title}: `{table.name}`",
            "",
            table.meaning,
            "",
            "| column | kind | unit | required | allowed | meaning |",
            "|---|---|---|---|---|---|",
        ]
        if table.geometry:
            required = "" if table.geometry_nullable else "yes"
            lines.append(
                f"| `geometry` | {table.geometry} | m | {required} | | in the wall frame of its surface |"
            )
        for row in table.template().to_dict("records"):
            required = "yes" if row["required"] else ""
            lines.append(
                f"| `{row['column']}` | {row['kind']} | {row['unit']} | {required} | {row['allowed']} | {row['meaning']} |"
            )
        lines.append("")
    return "\n".join(lines)


if __name__ == "__main__":
    print(page())
