"""Benefit that saturates on each place: enough sheltered ground for stock, or a target reached.

Relative wind with several belts is the smallest of theirs, so sheltered ground of a set of belts is
a union, and 1 − r^p is the largest of theirs. Both are monotone and submodular, and so is every
concave, rising function of them: the search and the bound of `siting.choice` remain valid.
"""

from __future__ import annotations

from collections.abc import Sequence
from copy import copy
from dataclasses import replace

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray

from shelterscape.kernels.ray_cells import added_sums
from shelterscape.science.places import WELL_SHELTERED
from shelterscape.science.siting.benefit import replaced_rows
from shelterscape.science.siting.context import EvaluationContext
from shelterscape.science.siting.curve_tables import CurveTables
from shelterscape.science.siting.place_terms import PlaceTerms
from shelterscape.science.siting.sampled_cells import SampledCells
from shelterscape.science.siting.sampled_wind import wind_with_each, wind_with_existing

Array = NDArray[np.float64]
Field = NDArray[np.float32]
Numbers = NDArray[np.int64]

AT_ONCE = 64
"""Candidates whose sums are held at once, to limit memory."""


class PlaceGround:
    """Cells of the places that count, from which covers are made.

    Parameters
    ----------
    context : EvaluationContext
    terms : PlaceTerms

    Notes
    -----
    A cell in several places counts for the one that covers most of it.
    """

    def __init__(self, context: EvaluationContext, terms: PlaceTerms) -> None:
        assert context.covered is not None
        shape = context.grid.shape
        self.place, share = context.covered.main_places(terms.weight > 0, shape[0] * shape[1])
        # Cells with missing elevation have priority 0.
        self.terms, self.curve_tables = terms, CurveTables()
        self.context = replace(context, priority=share.reshape(1, *shape), purposes=("",))

    def with_terms(self, terms: PlaceTerms) -> PlaceGround:
        """The same places with other needs or levels, and with the curves calculated so far.

        Parameters
        ----------
        terms : PlaceTerms

        Returns
        -------
        PlaceGround
        """
        found = copy(self)
        found.terms = terms
        return found

    def cells(self, grown: gpd.GeoDataFrame, seed: int = 1) -> SampledCells:
        """Position of belts and candidates relative to these cells.

        Parameters
        ----------
        grown : GeoDataFrame
            Candidates as `growth.belts_at` returns them.
        seed : int
            Seed of the sample, where there are too many cells.

        Returns
        -------
        SampledCells
        """
        return SampledCells(self.context, grown, seed=seed)

    def expected(self, cells: SampledCells, grown: gpd.GeoDataFrame) -> PlaceCover:
        """The cover with expected heights, porosities, curve and winds.

        Parameters
        ----------
        cells : SampledCells
        grown : GeoDataFrame

        Returns
        -------
        PlaceCover
        """
        context, tables = self.context, self.curve_tables
        weights = cells.ray_weights(context.weights, context.options.spread_deg)
        wind = wind_with_existing(cells, tables, context.belts, context.options)
        lowered = wind_with_each(cells, tables, grown, context.options)
        return self.cover(cells, wind, lowered, weights)

    def wind_without(self, cells: SampledCells, belt: int) -> Field:
        """Expected relative wind on the cells without one of the existing belts.

        Parameters
        ----------
        cells : SampledCells
        belt : int
            Row of the belt.

        Returns
        -------
        (rays × cells,) float32
        """
        belts = self.context.belts
        # A belt with porosity 1 has no effect.
        removed = np.arange(len(belts)) == belt
        columns = {
            name: np.where(removed, 1.0, belts[name]) for name in ("porosity", "porosity_low")
        }
        without = belts.assign(**columns)
        return wind_with_existing(cells, self.curve_tables, without, self.context.options)

    def cover(
        self, cells: SampledCells, wind: Field, lowered: Field, ray_weights: Array
    ) -> PlaceCover:
        """The cover with the heights, porosities, curve and winds of one run.

        Parameters
        ----------
        cells, wind, lowered, ray_weights
            As for `monte_carlo.MonteCarloCells`.

        Returns
        -------
        PlaceCover
        """
        return PlaceCover(self, cells, wind, lowered, ray_weights)


class PlaceCover:
    """Value of all places together, with candidates added one after the other.

    It has the methods `gains`, `plant` and `remove_last` of `ground.Ground`.

    Parameters
    ----------
    ground : PlaceGround
    cells, wind, lowered, ray_weights
        As for `monte_carlo.MonteCarloCells`.
    """

    def __init__(
        self,
        ground: PlaceGround,
        cells: SampledCells,
        wind: Field,
        lowered: Field,
        ray_weights: Array,
    ) -> None:
        self._terms, self._power = ground.terms, np.float32(cells.context.speed_exponent)
        terms, place = ground.terms, ground.place[cells.cell]
        count, directions = len(terms.weight), len(cells.context.weights)
        by_direction = np.bincount(cells.direction, ray_weights, directions).astype(float)
        area_m2, stock = 1e4 * cells.priority, terms.stock[place]
        # Shares of the rays of a direction, also of one without weight: no wind came from there.
        of_ray = by_direction[cells.direction]
        part = 1.0 / np.bincount(cells.direction, minlength=directions)[cells.direction]
        np.divide(ray_weights, of_ray, out=part, where=of_ray > 0)
        self._unit = (np.where(stock, part[:, None], ray_weights[:, None]) * area_m2).ravel()
        self._stock = np.broadcast_to(stock, (len(part), len(place))).ravel()
        self._group = (place * directions + stock * cells.direction[:, None]).ravel()
        total = np.bincount(place, area_m2, count)
        self._need = np.where(terms.stock, terms.need, np.maximum(terms.need * total, 1e-9))
        self._share = self._shares(cells, place, area_m2, by_direction)
        of_stock = self._stock[cells.pair]
        worth = self._worth_of(lowered, of_stock)
        # Ground for stock that a candidate does not shelter well adds nothing to any set.
        useful = ~of_stock | (worth > 0)
        self._first = np.append(0, np.cumsum(useful))[cells.first]
        self._pair, self._lowered_worth = cells.pair[useful], worth[useful]
        self._places: NDArray[np.bool_] | None = None
        self._start(wind)

    def _start(self, wind: Field) -> None:
        """Sums with existing belts only."""
        self.planted: list[int] = []
        self._saved: list[tuple[NDArray[np.int32], Field, Array]] = []
        self._worth = self._worth_of(wind, self._stock)
        sums = np.bincount(self._group, self._unit * self._worth, self._share.size)
        self._ground_m2 = sums.astype(float).reshape(self._share.shape)
        self._by_place = self._value(self._ground_m2)

    def _shares(
        self, cells: SampledCells, place: Numbers, area_m2: Array, by_direction: Array
    ) -> Array:
        """Weight of each direction on each place, (places, directions)."""
        terms = self._terms
        count, directions = len(terms.weight), len(by_direction)
        share = np.tile(cells.context.time_share if terms.by_time else by_direction, (count, 1))
        if len(cells.wind_weight) and not terms.by_time:
            total = np.maximum(np.bincount(place, area_m2, count), 1e-9)
            for d in range(directions):
                windy = np.bincount(place, area_m2 * cells.wind_weight[d], count)
                share[:, d] *= windy / total
        share[~terms.stock] = np.arange(directions) == 0
        return share

    def _worth_of(self, wind: Field, stock: NDArray[np.bool_]) -> Field:
        """What relative wind is worth for one unit, before saturation."""
        worth: Field = np.where(stock, wind <= WELL_SHELTERED, 1.0 - wind**self._power)
        return worth

    def _value(self, ground_m2: Array) -> Array:
        """Value of each place, (..., places), from sums (..., places, directions)."""
        met = (self._share * np.minimum(ground_m2 / self._need[:, None], 1.0)).sum(axis=-1)
        found: Array = self._terms.weight * np.minimum(met, self._terms.level)
        return found

    def _sums_with(self, which: Numbers) -> Array:
        """Sums with each of some candidates by itself, (w, places, directions)."""
        out = np.empty((len(which), self._share.size))
        slots = (self._first, self._pair, self._lowered_worth)
        added_sums(which, *slots, self._worth, self._unit, self._group, out)
        found: Array = self._ground_m2 + out.reshape(-1, *self._share.shape)
        return found

    def beside(self, wind: Field) -> PlaceCover:
        """The cover of the same candidates with another wind beside existing belts.

        Parameters
        ----------
        wind : (rays × cells,) float32

        Returns
        -------
        PlaceCover
            With nothing planted.
        """
        found = copy(self)
        found._start(wind)
        return found

    @property
    def by_place(self) -> Array:
        """Value of each place with the candidates planted now, (places,)."""
        return self._by_place

    def gains_by_place(self, which: Sequence[int] | Numbers) -> Array:
        """What each of some candidates would add on each place.

        Parameters
        ----------
        which : (w,) int

        Returns
        -------
        (w, places) float64
        """
        numbers = np.asarray(which, dtype=np.int64)
        found = np.zeros((len(numbers), len(self._by_place)))
        for begin in range(0, len(numbers), AT_ONCE):
            lot = slice(begin, begin + AT_ONCE)
            found[lot] = self._value(self._sums_with(numbers[lot])) - self._by_place
        return np.maximum(found, 0.0)

    def gains(self, which: Sequence[int] | Numbers) -> Array:
        """What each of some candidates would add on all places.

        Parameters
        ----------
        which : (w,) int

        Returns
        -------
        (w,) float64
        """
        found: Array = self.gains_by_place(which).sum(axis=1)
        return found

    def plant(self, one: int) -> float:
        """Plant a candidate and return what it adds on all places.

        Parameters
        ----------
        one : int

        Returns
        -------
        float
        """
        first, last = self._first[one : one + 2]
        more = self._lowered_worth[first:last] > self._worth[self._pair[first:last]]
        pair, sums = self._pair[first:last][more], self._sums_with(np.array([one])).squeeze(0)
        self._saved.append((pair, self._worth[pair], self._ground_m2))
        self._worth[pair] = self._lowered_worth[first:last][more]
        before, self._by_place = self._by_place, self._value(sums)
        self._ground_m2 = sums
        self.planted.append(one)
        return float(np.maximum(self._by_place - before, 0.0).sum())

    def remove_last(self) -> int:
        """Remove the candidate planted last and return its row."""
        pair, worth, self._ground_m2 = self._saved.pop()
        self._worth[pair] = worth
        self._by_place = self._value(self._ground_m2)
        return self.planted.pop()

    def near(self, one: int) -> NDArray[np.bool_]:
        """Candidates that act on a place on which another one acts.

        Parameters
        ----------
        one : int
            Row of the other.

        Returns
        -------
        (n,) bool
        """
        if self._places is None:
            count = len(self._first) - 1
            owner = np.repeat(np.arange(count), np.diff(self._first))
            self._places = np.zeros((count, len(self._by_place)), dtype=bool)
            self._places[owner, self._group[self._pair] // self._share.shape[1]] = True
        found: NDArray[np.bool_] = (self._places & self._places[one]).any(axis=1)
        return found


def restoration_losses(
    ground: PlaceGround, cells: SampledCells, candidates: gpd.GeoDataFrame, grown: gpd.GeoDataFrame
) -> Array:
    """Value lost because restorations replace existing belts, as `benefit.loss_by_restoration`.

    Parameters
    ----------
    ground : PlaceGround
    cells : SampledCells
    candidates, grown : GeoDataFrame

    Returns
    -------
    (n,) float64
        ha eq.; 0 or more.
    """
    replaced, loss = replaced_rows(candidates), np.zeros(len(candidates))
    if not (replaced >= 0).any():
        return loss
    before = ground.expected(cells, grown)
    for belt in np.unique(replaced[replaced >= 0]):
        which = np.flatnonzero(replaced == belt)
        after = before.beside(ground.wind_without(cells, int(belt)))
        fallen = before.by_place.sum() - after.by_place.sum()
        loss[which] = np.maximum(fallen + before.gains(which) - after.gains(which), 0.0)
    return loss
