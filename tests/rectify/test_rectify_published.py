"""The room against published cameras, photographs of a known board and a painted wall."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fragkit.errors import EstimationError
from fragkit.opencv import cv2
from fragkit.rectify import board_points_mm, find_board, given_lens, solve_lens
from fragkit.rectify.camera import solve_cameras
from fragkit.rectify.lens import assumed_lens
from fragkit.rectify.plane import Observations, solve_plane

REFERENCE = Path(__file__).parents[1] / "reference"
BOARDS = sorted((REFERENCE / "images/opencv").glob("left*.jpg"))


def read(path):
    return cv2.cvtColor(cv2.imread(str(path)), cv2.COLOR_BGR2RGB)


def test_camera_of_zhang_2000():
    # Zhang, Z. (2000) IEEE TPAMI 22(11), 1330–1334: camera and rms of his five views, printed digits.
    published = json.loads((REFERENCE / "homography/zhang2000_reference.json").read_text())
    table = np.genfromtxt(REFERENCE / "homography/zhang2000_points.csv", delimiter=",", skip_header=1)
    views = [table[:, 3 + 2 * view : 5 + 2 * view] for view in range(5)]
    bundle = solve_cameras([table[:, 1:3]] * 5, views, size_px=(640, 480), square_pixels=False)
    camera, truth = bundle.camera, published["published"]
    found = [camera.fx_px, camera.fy_px, camera.skew_px, *camera.centre_px]
    wanted = [truth[key] for key in ("alpha", "beta", "gamma", "u0", "v0")]
    np.testing.assert_allclose(found, wanted, rtol=0, atol=0.01)  # px
    np.testing.assert_allclose([camera.k1, camera.k2], [truth["k1"], truth["k2"]], rtol=0, atol=1e-5)
    assert bundle.rms_point_px == pytest.approx(published["rms_point_error_px"], abs=0.001)


@pytest.fixture(scope="module")
def corners():
    return [find_board(read(path), columns=9, rows=6) for path in BOARDS]


def test_lens_of_the_board_photographs(corners):
    # OpenCV sample data left_intrinsics.yml: fx 535.9 px with p1, p2 and k3 in the model, which ours has not;
    # the same model without them, by an independent solver:
    plane = np.column_stack([board_points_mm(columns=9, rows=6, square_mm=25.0), np.zeros(54)]).astype(np.float32)
    flags = cv2.CALIB_FIX_ASPECT_RATIO | cv2.CALIB_ZERO_TANGENT_DIST | cv2.CALIB_FIX_K3
    pixels = [c.astype(np.float32) for c in corners]
    _, matrix, k, _, _ = cv2.calibrateCamera([plane] * 13, pixels, (640, 480), np.eye(3), None, flags=flags)
    lens = solve_lens([read(path) for path in BOARDS], columns=9, rows=6, square_mm=25.0, name="left")
    assert lens.f_px == pytest.approx(matrix[0, 0], abs=0.05)
    np.testing.assert_allclose(lens.centre_px, matrix[:2, 2], rtol=0, atol=0.05)
    np.testing.assert_allclose([lens.k1, lens.k2], k.ravel()[:2], rtol=0, atol=1e-3)
    assert lens.f_px == pytest.approx(535.9, abs=5.0)  # 1 %: the published model has three more terms
    assert (lens.n_views, lens.source) == (13, "board photographs")
    assert lens.rms_px < 0.2  # corners are good to 0.1–0.2 px


def test_stated_errors_of_the_lens_are_those_of_leaving_out_photographs(corners):
    # Independent: the jackknife by solving thirteen times; the stated sds widen by one ratio for all.
    xy_mm = board_points_mm(columns=9, rows=6, square_mm=25.0)
    bundle = solve_cameras([xy_mm] * 13, corners, size_px=(640, 480))
    numbers = []
    for k in range(13):
        others = [c for i, c in enumerate(corners) if i != k]
        camera = solve_cameras([xy_mm] * 12, others, size_px=(640, 480)).camera
        numbers.append([camera.fx_px, *camera.centre_px, camera.k1, camera.k2])
    jackknife = np.sqrt(12 / 13 * np.square(numbers - np.mean(numbers, axis=0)).sum(axis=0))
    ratio = jackknife / np.sqrt(np.diag(bundle.camera_cov))[[0, 3, 4, 5, 6]]
    assert 2.0 < bundle.spread_ratio < 4.0  # these photographs: a bent board and a lens with more terms
    assert (ratio > 0.6).all()
    assert (ratio < 1.6).all()


def test_views_without_such_faults_are_not_widened():
    rng = np.random.default_rng(5)
    xy_mm = board_points_mm(columns=9, rows=6, square_mm=25.0)
    ratios, pulls = [], []
    for _ in range(12):
        views = []
        for _ in range(10):
            turn = cv2.Rodrigues(rng.uniform(-0.5, 0.5, 3) + [np.pi, 0, 0])[0]
            xyz = np.column_stack([xy_mm - xy_mm.mean(axis=0), np.zeros(54)]) @ turn.T + [0, 0, 350]
            x = xyz[:, :2] / xyz[:, 2:]
            r2 = (x**2).sum(axis=1, keepdims=True)
            views.append(540 * x * (1 - 0.2 * r2 + 0.05 * r2**2) + [320, 240] + rng.normal(0, 0.15, (54, 2)))
        bundle = solve_cameras([xy_mm] * 10, views, size_px=(640, 480))
        ratios.append(bundle.spread_ratio)
        pulls.append((bundle.camera.fx_px - 540) / np.sqrt(bundle.camera_cov[0, 0]))
    assert np.mean(ratios) < 1.4  # ten views for five unknowns; the jackknife is generous
    assert np.sqrt(np.mean(np.square(pulls))) < 1.5  # 12 cameras: sd of this figure about 0.2


def test_board_photographs_as_a_wall(corners):
    # Lens from the other twelve, plane from the 26 corners of the ring, error at the 28 inner ones.
    xy_mm = board_points_mm(columns=9, rows=6, square_mm=25.0)
    inner = np.array([0 < i < 8 and 0 < j < 5 for j in range(6) for i in range(9)])
    errors = {}
    for k, path in enumerate(BOARDS):
        others = [c for i, c in enumerate(corners) if i != k]
        bundle = solve_cameras([xy_mm] * 12, others, size_px=(640, 480))
        order = [0, 3, 4, 5, 6]
        from_boards = {
            "f_px": bundle.camera.fx_px, "centre_px": bundle.camera.centre_px, "k1": bundle.camera.k1,
            "k2": bundle.camera.k2, "cov": bundle.camera_cov[np.ix_(order, order)],
            "source": "board photographs",
        }  # fmt: skip
        lens = replace(assumed_lens(640, 480), **from_boards)
        points = Observations(
            names=tuple(map(str, np.flatnonzero(~inner))), xy_px=corners[k][~inner], xy_mm=xy_mm[~inner],
            cov_mm2=np.tile(0.05**2 * np.eye(2), (26, 1, 1)), sd_px=0.15,
        )  # fmt: skip
        miss = solve_plane(points, lens).to_mm(corners[k][inner]) - xy_mm[inner]
        errors[path.name] = float(np.sqrt(np.square(miss).mean()))
    # left02 and left13, spoilt by a fixed window of 11 px, are good too where the window fits the squares.
    assert max(errors.values()) <= 0.20, errors


def test_boards_are_never_read_as_mirror_images(corners):
    for pixels in corners:
        grid = pixels.reshape(6, 9, 2)
        (ax, ay), (dx, dy) = grid[0, -1] - grid[0, 0], grid[-1, 0] - grid[0, 0]
        assert ax * dy - ay * dx > 0


def test_painted_wall_pair():
    # Mikolajczyk, K. and Schmid, C. (2005) IEEE TPAMI 27(10): homography of the pair, without a lens.
    # Below its white line (row 520) the wall steps out to a plinth, 5 to 7 px off that plane: left out.
    published = json.loads((REFERENCE / "homography/graffiti_wall_homography.json").read_text())
    first, second = (
        cv2.imread(str(REFERENCE / f"images/opencv/{name}.png"), cv2.IMREAD_GRAYSCALE) for name in ("graf1", "graf3")
    )
    sift = cv2.SIFT_create(4000)
    (points1, words1), (points2, words2) = (
        sift.detectAndCompute(first, None),
        sift.detectAndCompute(second, None),
    )
    pairs = [
        (a.queryIdx, a.trainIdx)
        for a, b in cv2.BFMatcher().knnMatch(words1, words2, k=2)
        if a.distance < 0.75 * b.distance and points1[a.queryIdx].pt[1] < 520
    ]
    xy1 = np.array([points1[i].pt for i, _ in pairs])
    xy2 = np.array([points2[j].pt for _, j in pairs])
    keep = cv2.findHomography(xy1, xy2, cv2.USAC_MAGSAC, 2.0)[1].ravel().astype(bool)
    xy1, xy2 = xy1[keep] * [1, -1], xy2[keep]  # the room's plane runs upwards
    points = Observations(
        names=tuple(map(str, range(len(xy1)))), xy_px=xy2, xy_mm=xy1, sd_px=0.5,
        cov_mm2=np.tile(0.25 * np.eye(2), (len(xy1), 1, 1)),
    )  # fmt: skip
    plane = solve_plane(points, given_lens(680.0, (399.5, 319.5), k1_sd=0.0))
    for check in published["map_checks"]:
        miss = plane.to_px(np.array([check["from_px"]]) * [1, -1])[0] - check["to_px"]
        assert np.hypot(*miss) < 3.0, check  # 1.8 reached; the published matrix is good to about 1 px


def test_refuses_a_picture_without_the_board():
    with pytest.raises(EstimationError, match="no chessboard of 9 × 6 inner corners"):
        find_board(np.full((300, 400, 3), 128, np.uint8), columns=9, rows=6)


def test_refuses_a_board_with_the_wrong_number_of_squares():
    with pytest.raises(EstimationError, match=r"The lens cannot be solved.*in 0 of 3 photographs"):
        solve_lens([read(path) for path in BOARDS[:3]], columns=8, rows=7, square_mm=25.0)


def test_refuses_board_photographs_of_different_sizes():
    with pytest.raises(ValueError, match="a lens belongs to one size"):
        solve_lens(
            [np.zeros((40, 30, 3), np.uint8), np.zeros((30, 40, 3), np.uint8)],
            columns=9,
            rows=6,
            square_mm=25.0,
        )
