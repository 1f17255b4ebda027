"""Terrain models from many sources: each has a notice or a clear error."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from affine import Affine
from file_helpers import GRID, write_dem
from input_helpers import SHAPE, exposure, ground, hold_to_refusal

A = GRID.affine
DEGREES = Affine(0.0001, 0, 9.86, 0, -0.0001, 51.53)


def with_cells(**cells):
    """The basic ground with some cells of another value."""
    values = ground()
    for (row, col), value in cells.get("at", {}).items():
        values[row, col] = value
    return values


def holed():
    values = ground()
    values[10:20, 15:30] = -9999
    return values


SPOTS = {(3, 4): np.nan, (20, 20): np.inf, (30, 8): -np.inf}

# name: (values, how the file is written, words of the command, code, what the answer says)
REFUSED = {
    "no coordinate system": (ground(), {"crs": None}, {}, "crs-missing", ["--crs EPSG"]),
    "degrees": (ground(), {"crs": 4326, "affine": DEGREES}, {}, "crs-geographic", ["EPSG:32632"]),
    "map in feet": (ground(), {"crs": 2264}, {}, "crs-unit", ["foot"]),
    "heights in feet": (ground(), {"units": "ft"}, {}, "elevation-unit", ["ft", "--z-unit"]),
    "all missing": (np.full(SHAPE, -9999.0, "f4"), {"nodata": -9999}, {}, "raster-empty", []),
    "all NaN": (np.full(SHAPE, np.nan, "f4"), {}, {}, "raster-empty", []),
    "one cell": (ground((1, 1)), {}, {}, "raster-small", ["1 x 1"]),
    "one row": (ground((1, 50)), {}, {}, "raster-small", ["1 x 50"]),
    "one column": (ground((50, 1)), {}, {}, "raster-small", ["50 x 1"]),
    "missing cells as -9999 without saying so": (holed(), {}, {}, "elevation-range", ["-9999"]),
    "missing cells as 3.4e38 without saying so": (
        with_cells(at={(5, 5): 3.4e38}), {}, {}, "elevation-range", ["3.4e+38"],
    ),
    "missing cells as 65535 without saying so": (
        np.where(np.eye(*SHAPE) > 0, 65535, ground()).astype("uint16"),
        {}, {}, "elevation-range", ["65535"],
    ),
    "heights in centimetres": (100 * ground(), {}, {}, "elevation-range", ["--z-unit cm"]),
    "cells without size": (
        ground(), {"affine": Affine(10, 0, A.c, 0, 0, A.f)}, {}, "place-missing", ["10"],
    ),
    "an unknown coordinate system requested": (
        ground(), {}, {"to_crs": "EPSG:1"}, "name-unknown", ["EPSG:1"],
    ),
    "a unit of height that is none": (
        ground(), {}, {"z_unit": "yards"}, "input-refused", ["yards", "us-ft"],
    ),
}  # fmt: skip

# name: (values, how the file is written, words of the command, notices that must come)
TAKEN = {
    "plain": (ground(), {"nodata": -9999}, {}, {}),
    "no nodata tag": (ground(), {}, {}, {}),
    "whole metres": (ground().astype("int16"), {}, {}, {}),
    "scaled": (((ground() - 50) * 10).astype("int16"), {"scale": 0.1, "offset": 50}, {}, {}),
    "feet, said so": (ground() / 0.3048, {"units": "ft"}, {"z_unit": "ft"}, {}),
    "centimetres, said so": (100 * ground(), {}, {"z_unit": "cm"}, {}),
    "holes": (holed(), {"nodata": -9999}, {}, {"cells-missing": 150}),
    "NaN and infinities": (with_cells(at=SPOTS), {}, {}, {"cells-missing": 3}),
    "rotated": (ground(), {"affine": A * Affine.rotation(20)}, {}, {"dem-resampled": 1}),
    "south-up": (
        ground()[::-1], {"affine": Affine(10, 0, A.c, 0, 10, A.f - 400)}, {}, {"dem-resampled": 1},
    ),
    "non-square cells": (
        ground(), {"affine": Affine(10, 0, A.c, 0, -8, A.f)}, {}, {"dem-resampled": 1},
    ),
    "degrees, resampled to metres": (
        ground(), {"crs": 4326, "affine": DEGREES}, {"to_crs": "EPSG:25832"}, {"dem-resampled": 1},
    ),
    "several bands": (np.stack([ground(), ground()]), {}, {}, {"bands-ignored": 1}),
    "ten million metres north": (ground(), {"crs": 32733, "affine": Affine(
        10, 0, 5e5, 0, -10, 9_999_000)}, {}, {}),
    "three rows and columns": (ground((3, 3)), {}, {}, {}),
}  # fmt: skip


@pytest.fixture
def inputs(tmp_path):
    folder = tmp_path / "in"
    folder.mkdir()
    return folder


@pytest.mark.parametrize("name", REFUSED)
def test_a_terrain_model_is_refused(name, inputs, tmp_path, capsys):
    values, options, words, code, says = REFUSED[name]
    dem = write_dem(inputs / "dem.tif", values, **options)
    hold_to_refusal(exposure(capsys, tmp_path, dem, **words), code, *says)


@pytest.mark.parametrize("name", TAKEN)
def test_a_terrain_model_is_accepted_and_changes_are_reported(name, inputs, tmp_path, capsys):
    values, options, words, notices = TAKEN[name]
    dem = write_dem(inputs / "dem.tif", values, **options)
    found = exposure(capsys, tmp_path, dem, **words)
    assert found.exit_code == 0, found.error
    # Grid north is within a degree of true north here, so there is no other notice.
    assert notices.items() <= found.notices.items()
    may = {"cells-missing"} if "dem-resampled" in notices else set()
    assert set(found.notices) - set(notices) <= may


def test_a_raster_without_georeferencing_is_refused(inputs, tmp_path, capsys):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # its writer warns, too
        dem = write_dem(inputs / "dem.tif", ground(), affine=None, crs=None)
    found = exposure(capsys, tmp_path, dem, crs="EPSG:25832")
    hold_to_refusal(found, "place-missing", "GeoTIFF")
