"""Shape the ground of the invented island: an irregular mesh, raised and worn down by rivers.

Rivers on a square grid run in eight directions and look like it, so the ground is a mesh of
jittered points (Delaunay triangles, Voronoi cells). Uplift follows fractal noise inside a noisy
coast; wear follows the stream-power law with the implicit scheme of Braun and Willett (2013,
Geomorphology 180-181, 170-179). Hollows are filled by priority flood (Barnes, Lehman and Mulla
2014, Computers & Geosciences 62, 117-127), so that every cell drains to the sea.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import map_coordinates
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import Delaunay, Voronoi, cKDTree

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

CENTRE = (351_000.0, 5_830_000.0)  # about 52.6 N, 11.2 W in EPSG:32629
HALF_WIDTH_M = 16_500.0
HALF_HEIGHT_M = 13_500.0
SPACING_M = 100.0
STEPS = 22
STEP_YEARS = 80_000.0


@dataclass(frozen=True)
class Terrain:
    """Ground of the island on an irregular mesh of n points.

    `xy` (n×2, metres, EPSG:32629), `height_m`, `land`, `cell_m2`, `receiver` (the point that
    each point drains to; itself in the sea), `order` (points from the sea upward, so that a
    point comes after its receiver) and `upstream_m2` (drained area with the own cell).
    """

    xy: Floats
    height_m: Floats
    land: Bools
    cell_m2: Floats
    receiver: Ints
    order: Ints
    upstream_m2: Floats
    voronoi: Voronoi


def fractal_noise(rng: np.random.Generator, xy: Floats, slope: float, longest_m: float) -> Floats:
    """Sample isotropic fractal noise at points.

    Parameters
    ----------
    rng
        Source of the random phases.
    xy
        n×2 positions. [m]
    slope
        Fall of the amplitude spectrum with wave number: larger is smoother.
    longest_m
        Longest wave kept. [m]

    Returns
    -------
    ndarray
        n values of zero mean and unit spread.
    """
    size, cell = 512, 2.6 * HALF_WIDTH_M / 512
    wave = np.hypot(*np.meshgrid(np.fft.fftfreq(size, cell), np.fft.fftfreq(size, cell)))
    amplitude = np.where(wave > 1.0 / longest_m, np.maximum(wave, 1e-9) ** -slope, 0.0)
    field = np.fft.ifft2(np.fft.fft2(rng.normal(size=(size, size))) * amplitude).real
    field = (field - field.mean()) / field.std()
    place = (xy - np.array(CENTRE)) / cell + size / 2
    return np.asarray(map_coordinates(field, [place[:, 1], place[:, 0]], order=1, mode="wrap"))


def jittered_points(rng: np.random.Generator) -> Floats:
    """Lay points on a triangular lattice and shake each one."""
    rows = np.arange(-HALF_HEIGHT_M, HALF_HEIGHT_M, SPACING_M * np.sqrt(0.75))
    columns = np.arange(-HALF_WIDTH_M, HALF_WIDTH_M, SPACING_M)
    x, y = np.meshgrid(columns, rows)
    x = x + (np.arange(len(rows)) % 2)[:, None] * SPACING_M / 2
    xy = np.column_stack([x.ravel(), y.ravel()])
    return np.asarray(xy + rng.uniform(-0.36, 0.36, xy.shape) * SPACING_M + np.array(CENTRE))


def neighbours(xy: Floats) -> tuple[Ints, Ints]:
    """Return the mesh's neighbours in compressed rows: starts and neighbour numbers."""
    starts, others = Delaunay(xy).vertex_neighbor_vertices
    return starts.astype(np.int64), others.astype(np.int64)


def fill_hollows(height: Floats, land: Bools, starts: Ints, others: Ints) -> Floats:
    """Raise hollows until each land point has a falling way to the sea."""
    level = height.tolist()
    begin, other = starts.tolist(), others.tolist()
    seen = (~land).tolist()
    coast = np.unique(np.repeat(np.arange(len(land)), np.diff(starts))[land[others]])
    heap = [(level[i], i) for i in coast[~land[coast]].tolist()]
    heapq.heapify(heap)
    while heap:
        low, i = heapq.heappop(heap)
        for j in other[begin[i] : begin[i + 1]]:
            if not seen[j]:
                seen[j] = True
                level[j] = max(level[j], low + 1e-3)
                heapq.heappush(heap, (level[j], j))
    return np.asarray(level)


def steepest_receivers(
    xy: Floats, height: Floats, land: Bools, starts: Ints, others: Ints
) -> tuple[Ints, Floats]:
    """Choose for each land point the neighbour it falls to most steeply, and how far that is."""
    source = np.repeat(np.arange(len(xy)), np.diff(starts))
    run = np.hypot(*(xy[source] - xy[others]).T)
    fall = (height[source] - height[others]) / run
    steepest = np.flatnonzero(fall == np.maximum.reduceat(fall, starts[:-1])[source])
    first = steepest[np.unique(source[steepest], return_index=True)[1]]
    receiver = np.where(land, others[first], np.arange(len(xy)))
    return receiver, np.where(land, run[first], 1.0)


def flow_levels(receiver: Ints) -> list[Ints]:
    """Group points by the number of steps to the sea, nearest first."""
    depth = np.zeros(len(receiver), dtype=np.int64)
    pointer = receiver.copy()
    step = (receiver != np.arange(len(receiver))).astype(np.int64)
    while True:  # pointer jumping: each round doubles the way that is summed
        depth, step, moved = step, step + step[pointer], pointer[pointer]
        if np.array_equal(moved, pointer):
            break
        pointer = moved
    order = np.argsort(depth, kind="stable")
    cuts = np.flatnonzero(np.diff(depth[order])) + 1
    return [level.astype(np.int64) for level in np.split(order, cuts)]


def accumulate(receiver: Ints, levels: list[Ints], own: Floats) -> Floats:
    """Sum a quantity of each point over all that drains through it."""
    total = own.copy()
    for level in reversed(levels[1:]):
        np.add.at(total, receiver[level], total[level])
    return total


def _coast(rng: np.random.Generator, xy: Floats) -> Bools:
    """Land where a rounded envelope, bent by noise, stands above the sea."""
    away = (xy - np.array(CENTRE)) / np.array([13_200.0, 9_900.0])
    turned = away @ np.array([[0.94, 0.34], [-0.34, 0.94]])
    radius = np.hypot(turned[:, 0], turned[:, 1])
    shape = 1.0 - radius + 0.17 * fractal_noise(rng, xy, 1.9, 14_000.0)
    return np.asarray(shape > 0.08)


def _one_island(land: Bools, starts: Ints, others: Ints) -> Bools:
    """Keep the largest connected land and close the seas inside it."""
    source = np.repeat(np.arange(len(land)), np.diff(starts))
    for _ in range(3):  # drop spits and islets one cell wide
        share = np.add.reduceat(land[others].astype(float), starts[:-1]) / np.diff(starts)
        land = np.where(share > 0.62, True, np.where(share < 0.45, False, land))
    for value in (True, False):
        same = (land[source] == value) & (land[others] == value)
        links = coo_array((np.ones(same.sum()), (source[same], others[same])), (len(land),) * 2)
        _, label = connected_components(links.tocsr(), directed=False)
        main = label == int(np.argmax(np.bincount(label[land == value])))
        land = (land & main) if value else ~(~land & main)
    return land


def raise_island(rng: np.random.Generator) -> Terrain:
    """Raise and wear down the island."""
    everywhere = jittered_points(rng)
    land = _coast(rng, everywhere)
    near_land, _ = cKDTree(everywhere[land]).query(everywhere)
    kept = near_land < 5 * SPACING_M
    xy, land = everywhere[kept], land[kept]
    starts, others = neighbours(xy)
    land = _one_island(land, starts, others)
    voronoi = Voronoi(xy)
    cell = np.full(len(xy), SPACING_M**2 * np.sqrt(0.75))

    inland, _ = cKDTree(xy[~land]).query(xy)
    rise = 1.0 - np.exp(-inland / 2_600.0)
    ranges = fractal_noise(rng, xy, 2.1, 15_000.0)
    uplift = 4.2e-4 * rise * np.exp(0.7 * ranges) * land
    softness = 2.4e-5 * np.exp(0.45 * fractal_noise(rng, xy, 1.6, 6_000.0))
    height = np.where(land, 12.0 + 8.0 * fractal_noise(rng, xy, 1.4, 5_000.0), 0.0)
    height = np.where(land, np.maximum(height, 0.5) + inland * 2e-3, 0.0)
    for _ in range(STEPS):
        filled = height
        receiver, run = steepest_receivers(xy, filled, land, starts, others)
        if np.any(land & (height <= height[receiver])):
            filled = fill_hollows(height, land, starts, others)
            receiver, run = steepest_receivers(xy, filled, land, starts, others)
        levels = flow_levels(receiver)
        upstream = accumulate(receiver, levels, np.where(land, cell, 0.0))
        height = filled + uplift * STEP_YEARS
        wear = softness * STEP_YEARS * upstream**0.45 / run
        for level in levels[1:]:
            down = receiver[level]
            height[level] = (height[level] + wear[level] * height[down]) / (1.0 + wear[level])
    filled = fill_hollows(height, land, starts, others)
    receiver, _ = steepest_receivers(xy, filled, land, starts, others)
    levels = flow_levels(receiver)
    upstream = accumulate(receiver, levels, np.where(land, cell, 0.0))
    return Terrain(xy, filled, land, cell, receiver, np.concatenate(levels), upstream, voronoi)
