"""Whether a profile keeps its own rules and the published floors; what it breaks is named."""

from __future__ import annotations

from dataclasses import dataclass

from facademap.repair.settings import Settings

__all__ = ["ProfileCheck", "check_profile"]

#: Published least depth of a part indent on bed, lower and upper end.
_PUBLISHED_DEPTH_M = (0.037, 0.050)


@dataclass(frozen=True, slots=True, kw_only=True)
class ProfileCheck:
    """One check of a profile."""

    name: str
    passed: bool
    says: str
    source: str


def check_profile(settings: Settings) -> tuple[ProfileCheck, ...]:
    """Check a profile at its own least depth: depth, cover, reach of the pins, hole, blade, joints, curing.

    Returns
    -------
    tuple of ProfileCheck
        All checks, passed or not, each in a sentence with its numbers.

    References
    ----------
    Limits are the values of the settings, each with its own source; the blade as in :func:`facademap.repair.check_saw`.
    """
    s = settings
    mm = 1000.0
    depth = s.depth_minimum_m - s.bedding_m
    hole = s.rod_m + s.hole_clearance_m
    room = depth - s.cover_m - s.hole_spare_m
    wanted = s.into_piece_m or s.into_piece_minimum_m
    share = s.into_piece_share * depth
    most = min(room, share)
    cover = depth - wanted - s.hole_spare_m
    embedment = max(s.embedment_m, s.embedment_rods * s.rod_m)
    low, high = _PUBLISHED_DEPTH_M
    study = "Scott Monument restoration study, repair criteria (read)"
    checks = [
        (
            "least depth",
            s.depth_minimum_m >= low - 1e-9,
            f"least depth {s.depth_minimum_m * mm:.1f} mm against {low * mm:.0f} to {high * mm:.0f} mm published"
            + (
                ""
                if s.depth_minimum_m >= high - 1e-9
                else "; within the published span, below its upper end"
            ),
            study,
        ),
        (
            "cover",
            cover >= s.cover_m - 1e-6,
            f"a rod {wanted * mm:.1f} mm into a piece of least depth ({depth * mm:.1f} mm) leaves {cover * mm:.1f} mm of stone before the "
            f"face, {s.cover_m * mm:.1f} mm are wanted",
            "common practice: stop 15 to 20 mm short of the face",
        ),
        (
            "reach into the piece",
            most >= s.into_piece_minimum_m - 1e-6,
            f"cover and share leave {max(most, 0) * mm:.1f} mm of rod in a piece of least depth, {s.into_piece_minimum_m * mm:.1f} mm are needed",
            "common practice: at most 2/3 of the piece",
        ),
        (
            "share of the piece",
            wanted <= share + 1e-9,
            f"a rod {wanted * mm:.1f} mm into the piece is {wanted / depth:.0%} of its least depth, at most {s.into_piece_share:.0%}",
            "common practice: at most 2/3 of the piece",
        ),
        (
            "hole",
            s.hole_clearance_m >= 0.0015 - 1e-9,
            f"hole is {s.hole_clearance_m * mm:.1f} mm wider than the rod; grout needs 3 mm, resin 1.5 to 2 mm",
            "common practice",
        ),
        (
            "embedment",
            embedment >= max(0.05, 8 * s.rod_m) - 1e-9,
            f"embedment {embedment * mm:.0f} mm against 50 mm or 8 rods ({8 * s.rod_m * mm:.0f} mm)",
            "common practice",
        ),
        (
            "blade",
            s.blade_reach_m >= s.depth_minimum_m - 1e-9,
            f"the blade reaches {s.blade_reach_m * mm:.0f} mm of the least depth {s.depth_minimum_m * mm:.0f} mm"
            + (
                ""
                if s.blade_reach_m >= s.depth_minimum_m - 1e-9
                else ": the rest is drilled and chiselled"
            ),
            "geometry of the blade",
        ),
        (
            "joint",
            s.joint_m >= s.joint_minimum_m - 1e-9,
            f"joint {s.joint_m * mm:.1f} mm, at least {s.joint_minimum_m * mm:.1f} mm to be filled",
            "common practice",
        ),
        (
            "seat",
            s.size_minimum_m > 2 * s.joint_m + 2 * s.edge_distance_holes * hole,
            f"the smallest inset ({s.size_minimum_m * mm:.0f} mm) less joints must hold one pin clear of its edges "
            f"({(2 * s.joint_m + 2 * s.edge_distance_holes * hole) * mm:.0f} mm)",
            "common practice",
        ),
        (
            "curing",
            s.cure_h >= 72 - 1e-9,
            f"curing {s.cure_h:.0f} h against at least 72 h published (24 h in common practice)",
            "limeworks.us, cornishlime.co.uk (read)",
        ),
    ]
    return tuple(ProfileCheck(name=n, passed=bool(p), says=t, source=q) for n, p, t, q in checks)
