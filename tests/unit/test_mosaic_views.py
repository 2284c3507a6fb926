"""Many photos in one adjustment, from ties of known geometry (no pictures are needed)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from rendered_wall import Shot

from facademap.errors import GeometryError
from facademap.photo.camera import nominal_camera
from facademap.photo.homography import apply_homography, fit_homography_dlt
from facademap.photo.mosaic_views import MosaicPoint, fit_mosaic_views
from facademap.photo.photo_graph import PhotoGraph
from facademap.photo.ties import PairTies

SIZE = (1600, 1200)


def flight(seed: int = 0, k1: float = -0.1) -> list[Shot]:
    rng = np.random.default_rng(seed)
    return [
        Shot(
            target=(u + rng.uniform(-0.1, 0.1), v + rng.uniform(-0.1, 0.1)),
            distance=1.8,
            yaw=rng.uniform(-18, 18),
            pitch=rng.uniform(-8, 8),
            roll=rng.uniform(-4, 4),
            k1=k1,
            focal_px=1333.0,
            size_px=SIZE,
        )
        for v in (1.3, 2.6, 3.9)
        for u in (1.2, 2.6, 4.0, 5.4, 6.8)
    ]


def graph_of(shots: list[Shot], *, noise_px: float = 0.2, seed: int = 1) -> PhotoGraph:
    rng = np.random.default_rng(seed)
    camera = nominal_camera(*SIZE)
    cameras = tuple(replace(camera, k1=s.k1 * (1600 / 1333) ** 2) for s in shots)
    pairs = {}
    for a in range(len(shots)):
        for b in range(a + 1, len(shots)):
            first = rng.uniform([10, 10], [1590, 1190], (400, 2))
            second = shots[b].pixel(shots[a].wall(first))
            inside = ((second > 5) & (second < np.array(SIZE) - 5)).all(axis=1)
            inside &= np.hypot(*(shots[b].wall(second) - shots[a].wall(first)).T) < 1e-3
            if np.count_nonzero(inside) < 40:
                continue
            one, other = (
                p[inside][:80] + rng.normal(0, noise_px, p[inside][:80].shape)
                for p in (first, second)
            )
            matrix = fit_homography_dlt(
                cameras[b].ray_from_pixel(other), cameras[a].ray_from_pixel(one)
            )
            pairs[(a, b)] = PairTies(
                joined=True,
                first_px=one,
                second_px=other,
                homography=matrix,
                k1=cameras[a].k1,
                inliers=len(one),
            )
    return PhotoGraph(cameras=(camera,) * len(shots), pairs=pairs)


def seen(
    shots: list[Shot],
    number: int,
    place: tuple[float, float],
    name: str,
    *,
    control: bool,
    rng: np.random.Generator,
    shift_m: float = 0.0,
) -> MosaicPoint:
    pixel = shots[number].pixel(np.array([place]))[0] + rng.normal(0, 0.3, 2)
    return MosaicPoint(
        photo=number,
        name=name,
        pixel_px=(float(pixel[0]), float(pixel[1])),
        wall_m=(place[0] + shift_m, place[1]),
        is_control=control,
    )


def points_of(shots: list[Shot], *, blunder: bool = False) -> list[MosaicPoint]:
    """Control in the four corner photos and the middle one, a check point in the middle of every photo."""
    rng = np.random.default_rng(3)
    control = [
        seen(
            shots,
            k,
            (shots[k].target[0] + d, shots[k].target[1]),
            f"c{k}{d}",
            control=True,
            rng=rng,
            shift_m=0.08 if blunder and (k, d) == (7, 0.3) else 0.0,
        )
        for k in (0, 4, 7, 10, 14)
        for d in (-0.3, 0.3)
    ]
    return control + [
        seen(shots, k, shots[k].target, f"k{k}", control=False, rng=rng) for k in range(len(shots))
    ]


def true_error_m(shots: list[Shot], fitted) -> np.ndarray:
    miss = []
    for shot, view in zip(shots, fitted.views, strict=True):
        pixel = shot.lattice()
        miss.append(
            np.hypot(*(view.wall_from_pixel(pixel[:, 0], pixel[:, 1]) - shot.wall(pixel)).T)
        )
    return np.concatenate(miss)


SHOTS = flight()
GRAPH = graph_of(SHOTS)


def test_all_photos_lie_on_the_wall_with_control_in_a_few() -> None:
    fitted = fit_mosaic_views(GRAPH, points_of(SHOTS))
    assert fitted.left_out == ()
    assert fitted.blunders == ()
    error = true_error_m(SHOTS, fitted)  # a pixel is 1.35 mm on the wall
    assert np.sqrt(np.mean(error**2)) < 0.0008
    assert fitted.rmse_m(control=False)[0] < 0.0012
    assert fitted.rmse_m(control=False)[1] == 15


def test_focal_length_and_distortion_come_along() -> None:
    fitted = fit_mosaic_views(GRAPH, points_of(SHOTS))
    assert fitted.focal_factor == pytest.approx(1333 / 1600, rel=0.01)
    assert fitted.views[0].camera.k1 == pytest.approx(-0.1 * 1.2**2, abs=0.01)


def test_a_blunder_in_the_control_is_named_and_left_out() -> None:
    fitted = fit_mosaic_views(GRAPH, points_of(SHOTS, blunder=True))
    assert fitted.blunders == ("c70.3",)
    assert np.sqrt(np.mean(true_error_m(SHOTS, fitted) ** 2)) < 0.001


def test_a_photo_whose_ties_contradict_is_left_out_by_number() -> None:
    rng = np.random.default_rng(5)
    pairs = {}
    for pair, ties in GRAPH.pairs.items():
        if 8 in pair:
            moved = ties.first_px if pair[0] == 8 else ties.second_px
            spoiled = moved + rng.normal(0, 25, moved.shape)
            ties = (
                replace(ties, first_px=spoiled)
                if pair[0] == 8
                else replace(ties, second_px=spoiled)
            )
        pairs[pair] = ties
    fitted = fit_mosaic_views(replace(GRAPH, pairs=pairs), points_of(SHOTS))
    assert [number for number, _ in fitted.left_out] == [8]


def test_photos_without_ties_are_left_out_with_a_reason() -> None:
    pairs = {pair: ties for pair, ties in GRAPH.pairs.items() if 14 not in pair}
    pairs[(13, 14)] = replace(
        GRAPH.pairs[(13, 14)], joined=False, reason="only 3 places look alike"
    )
    fitted = fit_mosaic_views(replace(GRAPH, pairs=pairs), points_of(SHOTS))
    ((number, reason),) = fitted.left_out
    assert number == 14
    assert "control points" in reason  # it has two of its own, four are needed


def test_too_little_control_is_refused() -> None:
    points = [p for p in points_of(SHOTS) if not p.is_control or p.photo == 0]
    with pytest.raises(GeometryError, match="four"):
        fit_mosaic_views(GRAPH, points)


def test_mirrored_control_is_refused() -> None:
    points = [replace(p, wall_m=(-p.wall_m[0], p.wall_m[1])) for p in points_of(SHOTS)]
    with pytest.raises(GeometryError, match="mirrored"):
        fit_mosaic_views(GRAPH, points)


def test_the_view_maps_there_and_back() -> None:
    view = fit_mosaic_views(GRAPH, points_of(SHOTS)).views[7]
    place = np.array([[3.8, 2.4], [4.2, 2.8], [4.0, 2.6]])
    pixel = view.pixel_from_wall(place[:, 0], place[:, 1])
    np.testing.assert_allclose(view.wall_from_pixel(pixel[:, 0], pixel[:, 1]), place, atol=1e-8)
    assert np.all(view.depth(place[:, 0], place[:, 1]) > 0.5)
    rays = view.camera.ray_from_pixel(pixel)
    np.testing.assert_allclose(apply_homography(view.homography, place), rays, atol=1e-9)


def test_photos_that_are_no_views_of_one_camera_are_fitted_freely() -> None:
    """Every other photo was squeezed to 0.9 of its width by an editor: no focal length explains that."""
    shots = flight(k1=0.0)
    graph, points = graph_of(shots), points_of(shots)
    squeeze, middle = np.diag([0.9, 1.0, 1.0]), (SIZE[0] - 1) / 2

    def pixel(photo: int, xy: np.ndarray) -> np.ndarray:
        return np.column_stack([middle + 0.9 * (xy[:, 0] - middle), xy[:, 1]]) if photo % 2 else xy

    pairs = {}
    for (a, b), ties in graph.pairs.items():
        left, right = (
            squeeze if a % 2 else np.eye(3),
            np.linalg.inv(squeeze) if b % 2 else np.eye(3),
        )
        pairs[(a, b)] = replace(
            ties,
            first_px=pixel(a, ties.first_px),
            second_px=pixel(b, ties.second_px),
            homography=left @ ties.homography @ right,
        )
    points = [replace(p, pixel_px=tuple(pixel(p.photo, np.array([p.pixel_px]))[0])) for p in points]
    fitted = fit_mosaic_views(replace(graph, pairs=pairs), points)
    assert fitted.left_out == ()
    # without the stiffness of a camera the control in five photos holds less: a few samples, not a squeeze of 10 %
    assert fitted.rmse_m(control=False)[0] < 0.01
