"""What roles of the database see and change: layers, the whole, one elevation, and what is kept of secrets."""

from __future__ import annotations

import contextlib
import sqlite3
import xml.etree.ElementTree as ET
from pathlib import Path
from urllib.parse import quote

import pytest
import shapely
from cluster import Cluster

from facademap.errors import InputError, ProjectError, RightsError
from facademap.store.project import Project
from facademap.store.team import connect_team
from facademap.store.team_address import read_address
from facademap.store.team_row_rules import RULES
from facademap.tables import TABLES
from facademap.tasks.issue.papers import make_papers
from facademap.tasks.project.check import check_project
from facademap.tasks.project.estate import figures_of_estate
from facademap.tasks.project.team import join_project, limits_in_project, rights_in_project
from facademap.wall.world import wall_crs


def test_roles_look_work_or_neither(database: str, cluster: Cluster, tmp_path: Path) -> None:
    address = f"{database}#rights"
    Project.create_in(read_address(address), tmp_path / "owner", name="rights").close()
    with Project.open(tmp_path / "owner") as owner:
        owner._connection.execute("""CREATE ROLE "o'hara \"\"" LOGIN""")
        owner._connection.execute("CREATE ROLE gis LOGIN")
        with owner.edit(who="ann", what="set up") as edit:
            edit.insert("elevations", [{"id": "river", "name": "River front"}])
    theirs = {
        role: address.replace("postgres@", f"{quote(role)}@") for role in ("gis", "o'hara \"")
    }
    for role, named in theirs.items():
        with pytest.raises(ProjectError, match="may not look into project 'rights'"):
            join_project(named, tmp_path / role[0])
    assert rights_in_project(tmp_path / "owner", role="gis", may="read") == {"gis": "read"}
    rights_in_project(tmp_path / "owner", role="o'hara \"", may="edit")
    for role, named in theirs.items():
        join_project(named, tmp_path / role[0])

    with Project.open(tmp_path / "o") as mason:
        front = {
            "id": "front",
            "elevation": "river",
            "name": "x",
            "frame_wkt": wall_crs("x", "test x"),
        }
        with mason.edit(who="o'hara", what="add") as edit:
            edit.insert("surfaces", [front])
            row = {
                "id": "C-1",
                "surface": "front",
                "term": "crack",
                "geometry": shapely.Point(1, 2),
            }
            edit.insert("conditions", [row])
        mason.undo(edit.txn, who="o'hara")
        mason.undo(mason.history(last=1).iloc[0]["txn"], who="o'hara")
        for statement in (
            "UPDATE edit_log SET who = 'x'",
            "DROP TABLE conditions",
            "DELETE FROM edit_log",
        ):
            with pytest.raises(ProjectError, match=r"your role may not do this|append-only"):
                mason._connection.execute(statement)
        with pytest.raises(ProjectError, match="no layer of this project"):
            mason._connection.execute(
                "SELECT facademap_layer('conditions', 'conditions', 'x', true)"
            )

    with Project.open(tmp_path / "g") as looker:
        assert list(looker.read("conditions")["id"]) == ["C-1"]
        with (
            pytest.raises(ProjectError, match="your role may not do this"),
            looker.edit(who="gis", what="draw") as edit,
        ):
            edit.update("conditions", "C-1", {"cc": 1})
        # what a GIS reads: the layer of one surface, made since the right was given
        layer = looker._connection.execute(
            'SELECT "id", ST_AsText("geom") FROM "conditions of front"'
        )
        assert layer.fetchall() == [("C-1", "POINT(1 2)")]

    Project.create(tmp_path / "file", name="file").close()
    # and no more than the layers, those to come too
    given = rights_in_project(tmp_path / "owner", role="gis", may="layers")
    assert given == {"gis": "layers", "o'hara \"": "edit"}
    with Project.open(tmp_path / "o") as mason, mason.edit(who="o'hara", what="add") as edit:
        edit.insert("surfaces", [{**front, "id": "back"}])
        edit.insert("conditions", [{**row, "id": "C-2", "surface": "back"}])
    plain = read_address(theirs["gis"])
    with contextlib.closing(connect_team(plain)) as gis:
        for name in ("front", "back"):
            assert len(gis.execute(f'SELECT "id", "geom" FROM rights."conditions of {name}"').fetchall()) == 1  # fmt: skip
        for hidden in ("conditions", "settings", "edit_log", "photos"):
            with pytest.raises(Exception, match="permission denied"):
                gis.execute(f"SELECT * FROM rights.{hidden}")
        # the signs of each layer, in the open form that GIS programs take (OGC 05-077r4), found by the search path of the role
        gis.execute("SET search_path = rights, public")
        styled = gis.execute(
            "SELECT f_table_name, stylesld FROM layer_styles WHERE useasdefault AND f_table_catalog = current_database() "
            "AND f_table_schema = 'rights' AND f_geometry_column = 'geom'"
        ).fetchall()
        with sqlite3.connect(tmp_path / "file" / "project.gpkg") as file:
            same = dict(file.execute("SELECT f_table_name, styleSLD FROM layer_styles WHERE useAsDefault"))  # fmt: skip
        assert {name for name, _ in styled} == {*same, *(f"{t} of {s}" for t in same if t != "surfaces" for s in ("front", "back"))}  # fmt: skip
        for name, sld in styled:
            assert sld == same[name.split(" of ")[0]]
        rules = ET.fromstring(dict(styled)["conditions of back"]).iter("{http://www.opengis.net/se}Rule")  # fmt: skip
        assert len(list(rules)) > 40
        with pytest.raises(Exception, match="permission denied"):
            gis.execute("DELETE FROM layer_styles")
        with pytest.raises(Exception, match="permission denied"):
            gis.execute('UPDATE rights."conditions of front" SET "note" = \'x\'')

    assert rights_in_project(tmp_path / "owner", role="gis", may="nothing") == {"o'hara \"": "edit"}
    with pytest.raises(ProjectError, match="may not look into"):
        Project.open(tmp_path / "g")
    with pytest.raises(InputError, match="there is no role"):
        rights_in_project(tmp_path / "owner", role="nobody; DROP", may="read")


def test_a_role_of_one_elevation_neither_reads_nor_writes_the_other(
    database: str, tmp_path: Path
) -> None:
    """By its own connection, as a GIS or psql would come, and by the store."""
    address = f"{database}#sides"
    Project.create_in(read_address(address), tmp_path / "owner", name="sides").close()
    sides = {"river": "front", "lane": "back"}
    with Project.open(tmp_path / "owner") as owner:
        for role in ("riverman", "crew_river", "crewman"):
            owner._connection.execute(f"CREATE ROLE {role} LOGIN")
        owner._connection.execute("GRANT crew_river TO crewman")
        with owner.edit(who="ann", what="set up") as edit:
            edit.insert("elevations", [{"id": e, "name": e} for e in sides])
            edit.insert("surfaces", [{"id": s, "elevation": e, "name": s, "frame_wkt": wall_crs(s, f"test {s}")} for e, s in sides.items()])  # fmt: skip
            for surface in sides.values():
                row = {"surface": surface, "term": "scaling", "cc": 2, "geometry": shapely.box(0, 0, 1, 1)}  # fmt: skip
                edit.insert("conditions", [{**row, "id": f"C-{surface}"}])
                edit.insert("photos", [{"id": f"P-{surface}", "path": f"photos/{surface}.jpg", "sha256": "0" * 64, "width_px": 9, "height_px": 9, "surface": surface}])  # fmt: skip
                edit.insert("looks", [{"id": f"L-{surface}", "about_table": "conditions", "about": f"C-{surface}", "looked_on": "2026-05-01", "finding": "sound"}])  # fmt: skip
            # stone is the whole campaign's, and so are its pictures; any other photo that lies nowhere is not shown
            edit.insert("blocks", [{"id": "B-1", "stone_type": "buff"}])
            edit.insert("photos", [{"id": p, "path": f"blocks/{p}.jpg", "sha256": "0" * 64, "width_px": 9, "height_px": 9} for p in ("P-stone", "P-loose")])  # fmt: skip
            edit.insert("faces", [{"id": "B-1.1", "block": "B-1", "outline": [[0, 0], [1, 0], [1, 1]], "usable_depth_m": 0.1, "photo": "P-stone"}])  # fmt: skip
        both = edit.txn
    for role, may in (("riverman", "edit"), ("crew_river", "read")):
        given = rights_in_project(tmp_path / "owner", role=role, may=may, elevations=["river"])
    assert given == {"riverman": "edit", "crew_river": "read"}
    assert limits_in_project(tmp_path / "owner") == {"riverman": ["river"], "crew_river": ["river"]}
    with pytest.raises(InputError, match="no elevation 'roof'"):
        rights_in_project(tmp_path / "owner", role="riverman", may="edit", elevations=["roof"])
    with pytest.raises(ProjectError, match="owns the project"):
        rights_in_project(tmp_path / "owner", role="postgres", may="edit", elevations=["river"])

    theirs = {r: read_address(address.replace("postgres@", f"{r}@")) for r in ("riverman", "crewman")}  # fmt: skip
    for named in theirs.values():
        # whoever is of a crew that is limited is limited with it
        with contextlib.closing(connect_team(named)) as gis:
            gis.execute("SET search_path = sides, public")
            gis.execute(
                'SET facademap.elevations = \'["lane", "river"]\''
            )  # narrows, and never widens
            for table, seen in (("conditions", "C-front"), ("looks", "L-front"), ("surfaces", "front"), ("elevations", "river")):  # fmt: skip
                assert gis.execute(f"SELECT id FROM {table}").fetchall() == [(seen,)], table
            photos = gis.execute("SELECT id FROM photos ORDER BY id").fetchall()
            assert photos == [("P-front",), ("P-stone",)]
            logged = gis.execute("SELECT DISTINCT row_id FROM edit_log WHERE table_name <> 'settings'")  # fmt: skip
            assert {i for (i,) in logged} == {
                "river",
                "front",
                "C-front",
                "P-front",
                "L-front",
                "B-1",
                "B-1.1",
                "P-stone",
            }
            assert gis.execute('SELECT id FROM "conditions of front"').fetchall() == [("C-front",)]
            with pytest.raises(Exception, match="permission denied"):
                gis.execute('SELECT id FROM "conditions of back"')
            # a function of one's own, as cheap as can be, is asked of no row that is not shown
            gis.execute("CREATE FUNCTION pg_temp.spy(told text) RETURNS boolean LANGUAGE plpgsql COST 0.0000001 AS 'BEGIN RAISE NOTICE ''%'', told; RETURN true; END'")  # fmt: skip
            for way in ("indexscan", "bitmapscan", "indexonlyscan"):
                gis.execute(f"SET enable_{way} = off")
            heard: list[str] = []
            gis.add_notice_handler(
                lambda told, heard=heard: heard.append(str(told.message_primary))
            )  # type: ignore[misc]
            for seen_by in ('"conditions of front"', "conditions", "edit_log", "photos"):
                column = "row_id" if seen_by == "edit_log" else "id"
                gis.execute(f"SELECT 1 FROM {seen_by} WHERE pg_temp.spy({column})")
            assert "C-front" in heard
            assert not [told for told in heard if "back" in told or told == "lane"]
    with contextlib.closing(connect_team(theirs["riverman"])) as gis:
        gis.execute("SET search_path = sides, public")
        assert gis.execute("UPDATE conditions SET cc = 1").rowcount == 1
        assert gis.execute("DELETE FROM conditions WHERE id = 'C-back'").rowcount == 0
        for refused in (
            "UPDATE conditions SET surface = 'back' WHERE id = 'C-front'",
            "INSERT INTO conditions (id, surface, term, geom) VALUES ('C-9', 'back', 'crack', 'POINT(0 0)')",
            "INSERT INTO edit_log (txn, at, who, what, table_name, row_id, op, rev, after) VALUES ('t', 'now', 'x', 'x', "
            """'conditions', 'C-back', 'update', 2, '{"surface": "back"}')""",
            "INSERT INTO settings (id, value) VALUES ('name', '1')",
        ):
            with pytest.raises(Exception, match=r"row-level security|permission denied"):
                gis.execute(refused)
        for layer in ("conditions of back", "conditions of front"):
            with pytest.raises(Exception, match="no layer of"):
                gis.execute("SELECT facademap_layer(%s, 'conditions', 'back', true)", (layer,))

    join_project(str(theirs["riverman"]), tmp_path / "riverman")
    with Project.open(tmp_path / "riverman") as surveyor:
        with surveyor.edit(who="rita", what="class") as edit:
            edit.update("conditions", "C-front", {"cc": 3})
            edit.insert("conditions", [{"id": edit.new_id("C"), "surface": "front", "term": "crack", "geometry": shapely.Point(1, 2)}])  # fmt: skip
        surveyor.undo(edit.txn, who="rita")
        with pytest.raises(InputError, match="there is no 'C-back'"), surveyor.edit(who="rita", what="x") as edit:  # fmt: skip
            edit.update("conditions", "C-back", {"cc": 3})
        with pytest.raises(RightsError, match="your role may not do this"), surveyor.edit(who="rita", what="x") as edit:  # fmt: skip
            edit.insert("conditions", [{"id": "C-9", "surface": "back", "term": "crack", "geometry": shapely.Point(1, 2)}])  # fmt: skip
        with pytest.raises(InputError, match="your rights do not show"), surveyor.edit(who="rita", what="x") as edit:  # fmt: skip
            edit.insert("conditions", [{"id": "C-back", "surface": "front", "term": "crack", "geometry": shapely.Point(1, 2)}])  # fmt: skip
        with pytest.raises(RightsError, match="rows more than your rights show"):
            surveyor.undo(both, who="rita")
        with pytest.raises(ProjectError, match="some elevations of this project"):
            surveyor.snapshot(tmp_path / "part.gpkg")
    # what speaks of the whole is not made of a part
    for whole in (make_papers, check_project):
        with pytest.raises(ProjectError, match="some elevations of this project"):
            whole(tmp_path / "riverman")
    estate = figures_of_estate([str(tmp_path / "riverman")])
    assert "some elevations of this project" in estate["unread"][0]["problem"]
    with Project.open(tmp_path / "owner") as owner:
        assert owner.row("conditions", "C-back")["cc"] == 2
        # a table that is made later has its rule from the start
        for table in TABLES:
            assert owner._connection.execute(f"SELECT relrowsecurity FROM pg_class WHERE oid = '{table}'::regclass").fetchone()[0], table  # fmt: skip
    assert set(RULES) == set(TABLES)
    assert rights_in_project(tmp_path / "owner", role="riverman", may="read")["riverman"] == "read"
    with contextlib.closing(connect_team(theirs["riverman"])) as gis:
        assert len(gis.execute("SELECT id FROM sides.conditions").fetchall()) == 2


def test_what_is_kept_of_secrets_is_for_those_who_work_in_the_whole_project(
    database: str, tmp_path: Path
) -> None:
    """Not for readers, in whatever table it lies; a project that was made before the rules has them once its owner opens it."""
    address = f"{database}#links"
    Project.create_in(read_address(address), tmp_path / "owner", name="links").close()
    with Project.open(tmp_path / "owner") as owner:
        for role in ("onlooker", "deskman"):
            owner._connection.execute(f"CREATE ROLE {role} LOGIN")
        with owner.edit(who="ann", what="reviewer link") as edit:
            link = {"id": "a1", "name": "Ada", "hash": "f" * 64, "made_at": "2026-05-01T10:00:00"}
            edit.set("reviewer_links", [link])
    rights_in_project(tmp_path / "owner", role="onlooker", may="read")
    rights_in_project(tmp_path / "owner", role="deskman", may="edit")

    def secrets_seen(role: str) -> int:
        named = read_address(address.replace("postgres@", f"{role}@"))
        with contextlib.closing(connect_team(named)) as raw:
            tables = raw.execute("SELECT quote_ident(relname) FROM pg_class WHERE relnamespace = 'links'::regnamespace AND relkind IN ('r', 'v')").fetchall()  # fmt: skip
            texts = [str(raw.execute(f"SELECT * FROM links.{t}").fetchall()) for (t,) in tables if raw.execute("SELECT has_table_privilege(%s, 'SELECT')", (f"links.{t}",)).fetchone()[0]]  # fmt: skip
            assert len(texts) > 20
            return sum("f" * 64 in text for text in texts)

    assert secrets_seen("onlooker") == 0
    assert secrets_seen("deskman") == 2  # the server's role: the setting and its history
    with Project.open(tmp_path / "owner") as owner:
        for (table,) in owner._connection.execute("SELECT DISTINCT tablename::text FROM pg_policies WHERE schemaname = 'links'").fetchall():  # fmt: skip
            owner._connection.execute(f'ALTER TABLE "{table}" DISABLE ROW LEVEL SECURITY')
        owner._connection.execute("COMMENT ON FUNCTION facademap_limited(name) IS NULL")
    assert secrets_seen("onlooker") == 2, "the hole that the rules close"
    Project.open(tmp_path / "owner").close()
    assert secrets_seen("onlooker") == 0
