"""The simulated eyes obey optics: laws, textbook figures, independent solvers."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.spatial.transform import Rotation

from calibkit import simulation
from calibkit.simulation import average_eye, eyes, optics
from calibkit.simulation.bodies import average_eyes
from calibkit.simulation.desks import desk_for
from calibkit.simulation.eyes import Eyes, Pose
from calibkit.simulation.optics import Array
from calibkit.simulation.people import USUAL_SETUP

PEOPLE = [(kind, seed) for kind in ("steady", "glasses") for seed in range(8)]


def poses(seed: int, n: int = 60, head: float = 1.0) -> Pose:
    rng = np.random.default_rng(seed)
    aim = np.stack([rng.uniform(-260, 260, n), rng.uniform(-148, 148, n), np.zeros(n)])
    straight = np.array([[0.0], [0.0], [600.0]])
    return Pose(
        head_mm=straight + head * rng.normal(0, 15, (3, n)),
        turn_deg=head * rng.normal(0, 4, (3, n)),
        aim_mm=np.stack([aim, aim], axis=1),
        pupil_mm=rng.uniform(2, 6, (2, n)),
    )


def gaze(body: Eyes, pose: Pose) -> tuple[Array, Array]:
    """What each eye sees, in the head's axes, and where its visual axis points."""
    seen = eyes.through_lens(body, eyes.into_head(pose, pose.aim_mm))
    return seen, eyes.look(body, seen)


def outside(body: Eyes, pose: Pose, sight: Array, *world: tuple[float, ...]) -> Array:
    return eyes._outside(body, pose, sight, world)  # type: ignore[arg-type]


@pytest.mark.parametrize(("kind", "seed"), PEOPLE)
def test_reflection_halves_the_angle(kind: str, seed: int) -> None:
    """Law of reflection; residual as the study of section 1 asked, below 1e-9."""
    person = simulation.person(kind=kind, seed=seed)
    body, pose = person.eyes, poses(seed)
    _, sight = gaze(body, pose)
    for place in person.desk.lights_mm:
        light = outside(body, pose, sight, place)
        camera = outside(body, pose, sight, person.desk.camera_mm)
        spot = optics.reflect(body.axes_mm, light, camera)
        normal = optics.unit(spot / body.axes_mm**2)
        rays = optics.unit(light - spot) + optics.unit(camera - spot)
        across = rays - optics.dot(rays, normal) * normal
        assert np.abs(across).max() < 1e-9
        np.testing.assert_allclose(np.sum((spot / body.axes_mm) ** 2, axis=0), 1.0)


@pytest.mark.parametrize(("kind", "seed"), PEOPLE)
def test_refraction_obeys_snell(kind: str, seed: int) -> None:
    """Snell's law, sines taken by cross products; residual below 1e-9."""
    person = simulation.person(kind=kind, seed=seed)
    body, pose = person.eyes, poses(seed)
    _, sight = gaze(body, pose)
    camera = outside(body, pose, sight, *[person.desk.camera_mm] * 4)
    rim = eyes.pupil_rim(body, pose.pupil_mm).reshape(3, 2, -1)
    spot = optics.refract(body.axes_mm, rim, camera)
    normal = optics.unit(spot / body.axes_mm**2)
    inner, outer = optics.unit(spot - rim), optics.unit(camera - spot)
    sines = [np.cross(ray, normal, axis=0) for ray in (inner, outer)]
    assert np.abs(optics.INDEX * sines[0] - sines[1]).max() < 1e-9
    np.testing.assert_allclose(np.sum((spot / body.axes_mm) ** 2, axis=0), 1.0)


def test_light_takes_the_shortest_way() -> None:
    """Fermat's principle, with SciPy's minimiser as an independent solver.

    A minimum is found to about the root of its value's precision: 1e-4 mm here.
    """
    axes = np.array([9.0, 8.8, 9.9])
    light, camera = np.array([150.0, 160, 560]), np.array([-20.0, 190, 550])
    inside = np.array([0.8, -0.4, 6.0])

    def spot(uv: Array) -> Array:
        flat = np.array([uv[0], uv[1]])
        z = axes[2] * np.sqrt(1 - np.sum((flat / axes[:2]) ** 2))
        return np.array([*flat, z])

    def mirror(uv: Array) -> float:
        s = spot(uv)
        return float(np.linalg.norm(light - s) + np.linalg.norm(camera - s))

    def bend(uv: Array) -> float:
        s = spot(uv)
        inner = optics.INDEX * np.linalg.norm(s - inside)
        return float(inner + np.linalg.norm(camera - s))

    column = [v.reshape(3, 1) for v in (axes, light, camera, inside)]
    found = optics.reflect(column[0], column[1], column[2])[:, 0]
    best = minimize(mirror, [0.1, 0.1], method="BFGS", options={"gtol": 1e-10}).x
    np.testing.assert_allclose(found[:2], best, atol=2e-4)
    found = optics.refract(column[0], column[3], column[2])[:, 0]
    best = minimize(bend, [0.1, 0.1], method="BFGS", options={"gtol": 1e-10}).x
    np.testing.assert_allclose(found[:2], best, atol=2e-4)


def test_entrance_pupil_and_mirror_image_lie_where_gullstrand_has_them() -> None:
    """Schematic eye (Gullstrand, from memory): pupil seen 3.05 mm deep; f = R / 2.

    Paraxial, pupil 3.6 mm behind a 7.8 mm cornea of index 1.3375:
    1 / (1.3375 / 3.6 - 0.3375 / 7.8) = 3.046 mm.
    """
    axes = np.full((3, 1), 7.8)
    cameras = np.array([[0.5, -0.5], [0, 0], [1e5, 1e5]])
    pupil = np.array([[0.0, 0], [0, 0], [7.8 - 3.6, 7.8 - 3.6]])
    off = np.array([[0.05, -0.05], [0, 0], [1e5, 1e5]]) * 1e3
    spot = optics.refract(axes, pupil, off)
    rays = optics.unit(off - spot)
    depth = spot[2] - spot[0] * rays[2] / rays[0]
    np.testing.assert_allclose(7.8 - depth, 3.046, atol=2e-3)
    spot = optics.reflect(axes, off, cameras + np.array([[0], [0], [1e5]]))
    back = optics.unit(cameras + np.array([[0], [0], [1e5]]) - spot)
    image = spot - back * 3.9
    np.testing.assert_allclose(image[2], 3.9, atol=2e-3)


@pytest.mark.parametrize(("kind", "seed"), PEOPLE)
def test_kappa_is_kept_and_the_visual_axis_meets_the_target(
    kind: str, seed: int
) -> None:
    """Kappa rotates with the eye: the angle is the person's own at every gaze."""
    body, pose = simulation.person(kind=kind, seed=seed).eyes, poses(seed)
    seen, sight = gaze(body, pose)
    nasal, up = np.tan(np.radians(body.kappa_deg)).T
    want = np.degrees(np.arctan(np.hypot(nasal, up)))
    np.testing.assert_allclose(
        eyes.kappa_of(body, sight), np.tile(want[:, None], (1, 60)), atol=1e-9
    )
    knot = body.centre_mm + body.knot_mm * optics.turn(eyes.AHEAD, sight, body.optical)
    miss = np.cross(optics.unit(seen - knot), sight, axis=0)
    assert np.abs(miss).max() < 1e-9


def test_kappa_on_the_screen() -> None:
    """Check value 45: 5 and 1.5 degrees at 600 mm are 52.493 and 15.712 mm."""
    right, down = (
        -600 * average_eyes().optical[:2, :, 0] / average_eyes().optical[2, :, 0]
    )
    np.testing.assert_allclose(-right * (1, -1), 52.493, atol=1e-3)
    np.testing.assert_allclose(-down, -15.712, atol=1e-3)


def test_eyes_turn_by_listings_law() -> None:
    """Listing: the axis of turning lies square to straight ahead. SciPy rotates."""
    ahead = np.array([0.0, 0, -1]).reshape(3, 1)
    to = optics.unit(np.array([[0.3], [-0.2], [-1.0]]))
    axis = np.cross(ahead[:, 0], to[:, 0])
    assert axis @ ahead[:, 0] == 0
    angle = np.arctan2(np.linalg.norm(axis), float(ahead[:, 0] @ to[:, 0]))
    turning = Rotation.from_rotvec(axis / np.linalg.norm(axis) * angle)
    points = np.random.default_rng(1).normal(0, 5, (3, 20))
    np.testing.assert_allclose(
        optics.turn(ahead, to, points), turning.apply(points.T).T, atol=1e-12
    )


def test_head_rotation_agrees_with_scipy() -> None:
    angles = np.random.default_rng(2).normal(0, 20, (3, 9))
    ours = optics.head_rotation(*angles)
    theirs = Rotation.from_euler("YXZ", angles[[1, 0, 2]].T, degrees=True).as_matrix()
    np.testing.assert_allclose(ours, np.moveaxis(theirs, 0, -1), atol=1e-12)


def test_spectacles_by_prentices_rule() -> None:
    """Prentice's rule: a lens turns a ray by power times height, cm and dioptres.

    A ray through a -4 D lens 10 mm off its centre turns by 4 prism dioptres.
    """
    lens, axis = np.zeros((3, 1)), np.array([[0.0], [0], [-1]])
    point = np.array([[30.0], [0], [-600]])
    image = optics.seen_through(lens, axis, np.array([-4.0]), point)
    hole = np.array([[10.0], [0], [0]])
    slopes = [((p - hole)[0] / (p - hole)[2])[0] for p in (point, image)]
    assert abs(slopes[1] - slopes[0]) * 100 == pytest.approx(4.0, abs=1e-9)
    np.testing.assert_allclose(
        optics.seen_through(lens, axis, np.array([0.0]), point), point
    )


def test_hirschberg_ratio() -> None:
    """Literature section 2: a reflex moves 1 mm on the pupil in about 12 degrees."""
    body, desk = average_eyes(), desk_for(USUAL_SETUP, "pupil-reflex")
    angles = np.array([-6.0, 6.0])
    aim = np.stack([600 * np.tan(np.radians(angles)), np.zeros(2), np.zeros(2)])
    pose = Pose(
        head_mm=np.array([[0.0, 0], [0, 0], [600, 600]]),
        turn_deg=np.zeros((3, 2)),
        aim_mm=np.stack([aim, aim], axis=1),
        pupil_mm=np.full((2, 2), 4.0),
    )
    view = eyes.picture(body, desk, pose, gaze(body, pose)[1])
    apart = (view.pupil - view.reflexes.mean(axis=2))[0]
    away = np.linalg.norm(np.array([0, 0, 600.0]) - desk.camera_mm)
    moved_mm = np.abs(apart[:, 1] - apart[:, 0]) * away / desk.focal_px
    turned = np.degrees(
        np.arctan2(aim[0, 1] - 31.5, 600) - np.arctan2(aim[0, 0] - 31.5, 600)
    )
    np.testing.assert_allclose(turned / moved_mm, 12.0, atol=1.2)


def test_pupil_size_artefact() -> None:
    """Check value 46: a pupil's centre 0.1 mm off is about 1.2 degrees by 12 per mm."""
    desk = desk_for(USUAL_SETUP, "pupil-reflex")
    body = average_eyes()
    slid = Eyes(**{**vars_of(body), "slide_mm": np.full((2, 2), [0.05, 0.0])})
    pose = poses(3, n=40, head=0.0)
    wide = Pose(
        head_mm=pose.head_mm,
        turn_deg=pose.turn_deg,
        aim_mm=pose.aim_mm,
        pupil_mm=np.full((2, 40), 6.0),
    )
    _, sight = gaze(body, pose)
    answers = []
    for one in (body, slid):
        view = eyes.picture(one, desk, wide, sight)
        spot = eyes.into_world(wide, one.centre_mm + 13.1 * sight)
        away = spot - np.reshape(desk.camera_mm, (3, 1, 1))
        answers.append(average_eye.gaze_mm(desk, view, np.sqrt(optics.dot(away, away))))
    shift = np.degrees(np.arctan2(np.abs(answers[1] - answers[0])[0], 600))
    # 2 mm wider than 4, 0.05 mm a mm: 0.1 mm.
    assert np.median(shift) == pytest.approx(1.2, abs=0.25)


def vars_of(body: Eyes) -> dict[str, Array]:
    return {name: getattr(body, name) for name in Eyes.__dataclass_fields__}


@pytest.mark.parametrize("seed", range(4))
def test_the_average_eye_is_read_rightly(seed: int) -> None:
    """The screen tracker's inversion and the forward picture know nothing of each
    other; for the eye it assumes, they must agree."""
    desk = simulation.desk(seed, "screen")
    body, pose = average_eyes(), poses(seed)
    straight = Pose(
        head_mm=pose.head_mm,
        turn_deg=0 * pose.turn_deg,
        aim_mm=pose.aim_mm * 0.8,
        pupil_mm=pose.pupil_mm,
    )
    _, sight = gaze(body, straight)
    view = eyes.picture(body, desk, straight, sight)
    optical = optics.turn(eyes.AHEAD, sight, body.optical)
    apex = eyes.into_world(straight, body.centre_mm + 13.1 * optical)
    away = apex - np.reshape(desk.camera_mm, (3, 1, 1))
    found = average_eye.gaze_mm(desk, view, np.sqrt(optics.dot(away, away)))
    miss = np.hypot(*(found - straight.aim_mm[:2]))
    assert np.degrees(np.nanmedian(miss) / 600) < 0.15
