"""Rule tables and profiles of trade values from disk, or those that come with the package."""

from __future__ import annotations

from functools import cache, lru_cache
from importlib import resources
from pathlib import Path

from facademap.errors import FileError, InputError
from facademap.io.plug_ins import called, listed, offered
from facademap.io.whole_files import need_file
from facademap.repair.criteria import Criteria, read_criteria
from facademap.repair.mixes import Mix, add_mixes
from facademap.repair.rules import RuleTable, read_rules
from facademap.repair.settings import Settings, read_profile

__all__ = [
    "PROFILES",
    "know_mixes",
    "load_criteria",
    "load_profile",
    "load_rules",
    "profile_text",
    "read_rule_file",
    "rules_text",
]

#: Profiles that come with the package.
PROFILES = ("metric", "inch")
#: A rule table of this size was not written by a person.
MAX_BYTES = 1_000_000


def rules_text(path: str | Path | None = None) -> str:
    """The text of a rule table: a file, or one that a plug-in offers under that name; the packaged one without ``path``."""
    if path is None:
        return _packaged("rules.toml")
    if not Path(path).suffix and str(path) in offered("rule_sets"):
        return str(called("rule_sets", str(path)))
    return _read(Path(path), what="rule table")


def profile_text(profile: str | Path = "metric") -> str:
    """The text of a profile: a packaged one by name, or a file by path."""
    if str(profile) in PROFILES:
        return _packaged(f"{profile}.toml")
    path = Path(profile)
    if path.suffix.lower() != ".toml":
        raise InputError(
            f"profile {str(profile)!r} is unknown",
            f"Use {' or '.join(PROFILES)}, or the path of a .toml file.",
        )
    return _read(path, what="profile")


def load_rules(path: str | Path | None = None) -> RuleTable:
    """Read and check a rule table; the packaged one without ``path``."""
    return read_rules(rules_text(path), where="packaged rule table" if path is None else str(path))


def load_profile(profile: str | Path = "metric") -> Settings:
    """Read and check a profile: a packaged one by name, or a file by path. Lime mixes of plug-ins are known from then on."""
    know_mixes()
    return _profile_of(profile_text(profile), str(profile))


@cache
def know_mixes() -> None:
    """Take in the lime mixes that plug-ins offer, once a process.

    Raises
    ------
    InputError
        A plug-in fails, or offers something else or a name that is taken.
    """
    for name in offered("lime_mixes"):
        mixes = listed("lime_mixes", name)
        if not all(isinstance(m, Mix) for m in mixes):
            raise InputError(
                f"the plug-in {name} offers mixes that are none",
                "Tell its makers: it must give facademap.repair.Mix.",
            )
        add_mixes(mixes)


@lru_cache(maxsize=8)
def _profile_of(text: str, where: str) -> Settings:
    """Told by what it says, so that a changed file counts at once; settings are never changed, so all may share them."""
    return read_profile(text, where=where)


def load_criteria(path: str | Path | None = None) -> Criteria:
    """Read and check the criteria of the work; the packaged ones without ``path``."""
    text = (
        _packaged("criteria.toml") if path is None else _read(Path(path), what="list of criteria")
    )
    return read_criteria(text, where="packaged criteria" if path is None else str(path))


def read_rule_file(path: str | Path | None, *, packaged: str) -> str:
    """The text of a TOML file, or of a packaged one (``standard.toml``) without ``path``."""
    return _packaged(packaged) if path is None else _read(Path(path), what="file")


def _packaged(name: str) -> str:
    return resources.files("facademap.repair").joinpath(name).read_text(encoding="utf-8")


def _read(path: Path, *, what: str) -> str:
    if not path.exists():
        raise FileError(f"{path}: there is no such {what}", "Check the path.")
    need_file(path)
    if path.is_dir():
        raise FileError(f"{path}: is a folder", f"Give the {what} as a .toml file.")
    if path.stat().st_size > MAX_BYTES:
        raise FileError(
            f"{path}: larger than {MAX_BYTES / 1e6:.0f} MB",
            f"Give a {what} in TOML, not another file.",
        )
    try:
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise InputError(f"{path}: is not UTF-8 text", "Save the file as UTF-8.") from None
