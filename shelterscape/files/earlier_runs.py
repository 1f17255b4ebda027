"""Results of one earlier run, read as an input of another."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import rasterio
from numpy.typing import NDArray

from shelterscape.errors import InputError
from shelterscape.files.local import existing_file
from shelterscape.files.rasters import ENVIRONMENT, open_raster
from shelterscape.files.record import read_record, recorded_files, sha256_of
from shelterscape.grid import Grid


@dataclass(frozen=True)
class EarlierRun:
    """A run of one process.

    Parameters
    ----------
    folder : Path
    bands : dict of list of str
        Names of the bands of each raster.
    figures : dict
        Values that the process reported.
    checksums : dict of str
        Checksum of each file when it was written, by its path in the folder.
    """

    folder: Path
    bands: dict[str, list[str]]
    figures: dict[str, Any]
    checksums: dict[str, str]

    def raster(self, name: str, band: str, grid: Grid) -> NDArray[np.float32]:
        """A band of a raster, on the cells of a grid.

        Parameters
        ----------
        name, band : str
        grid : Grid

        Returns
        -------
        (rows, cols) float32
            NaN where missing.

        Raises
        ------
        InputError
            ``input-refused`` for other cells, or where the band is missing.
        """
        path, bands = self._file(f"rasters/{name}.tif"), self.bands.get(name, [])
        if band not in bands:
            raise _refused(
                "The run to compare with has no results for this season and year.",
                path,
                f"{band}; it has {', '.join(bands)}",
                "Give the seasons and years of that run, or repeat it with those of this one.",
            )
        with rasterio.Env(**ENVIRONMENT), open_raster(path) as data:
            same = data.shape == grid.shape and data.transform.almost_equals(grid.affine, 1e-6)
            if not same or data.crs != rasterio.CRS.from_user_input(grid.crs):
                raise _refused(
                    "The run to compare with is on other cells.",
                    path,
                    f"{data.shape[0]} × {data.shape[1]} cells of {data.transform.a:g} m, "
                    f"{data.crs}; here {grid.shape[0]} × {grid.shape[1]} of {grid.cell_m:g} m",
                    "Run both on the same terrain model, with the same coordinate system.",
                )
            values: NDArray[np.float32] = data.read(1 + bands.index(band), masked=True).filled(
                np.nan
            )
        return values

    def table(self, name: str) -> pd.DataFrame:
        """A table of the run.

        Parameters
        ----------
        name : str

        Returns
        -------
        DataFrame
        """
        return pd.read_csv(self._file(f"tables/{name}.csv"))

    def _file(self, inside: str) -> Path:
        """A file of the run, unchanged since it was written."""
        path = existing_file(str(self.folder / inside), "result of the run to compare with")
        if self.checksums.get(inside) != sha256_of(path):
            raise _refused(
                "A result of the run to compare with was changed after the run.",
                path,
                None,
                "Repeat that run, and compare with its new folder.",
            )
        return path


def earlier_run(source: str, process_id: str) -> EarlierRun:
    """Open a finished run of a process.

    Parameters
    ----------
    source : str
        Path of its record.
    process_id : str

    Returns
    -------
    EarlierRun

    Raises
    ------
    InputError
        ``run-unknown`` where the folder is not that of such a run.
    """
    path = existing_file(source, "record of the run to compare with")
    record: dict[str, Any] = read_record(path.parent) or {}
    steps = record.get("steps")
    own = [
        step
        for step in (steps if isinstance(steps, list) else [])
        if isinstance(step, dict) and step.get("process") == process_id
    ]
    bands = own[0].get("bands") if own else None
    if path.name != "record.json" or len(own) != 1 or not isinstance(bands, dict):
        raise InputError(
            "run-unknown",
            f"The folder to compare with is not that of one finished run of {process_id}.",
            where=str(path.parent),
            hint=f"Give the folder that an earlier run of {process_id} wrote (its --out).",
        )
    known = recorded_files(record)
    sums = {
        one["path"]: str(one.get("sha256")) for one in record["outputs"] if one["path"] in known
    }
    names = {str(k): list(map(str, v)) for k, v in bands.items()}
    return EarlierRun(path.parent, names, dict(own[0].get("figures") or {}), sums)


def _refused(text: str, path: Path, value: str | None, hint: str) -> InputError:
    return InputError("input-refused", text, where=str(path), value=value, hint=hint)
