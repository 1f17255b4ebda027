"""Grants on a part of a map, such as a holding of a batch."""

from __future__ import annotations

import shapely
from file_helpers import write_features
from shapely import LineString, box
from test_grant_overlay import SCHEME, at

from shelterscape.process.area import Area
from shelterscape.process.reading import Reader
from shelterscape.processes.grant_overlay.loading import load
from shelterscape.processes.grant_overlay.spec import GrantOverlayInputs


def test_a_category_that_is_only_elsewhere_is_known_on_every_part(tmp_path):
    """The scheme names hills, and the only hill is 7 km from the belt."""
    maps, scheme = tmp_path / "in.gpkg", tmp_path / "hill.toml"
    write_features(maps, [at(LineString([(0, 0), (150, 0)]))], layer="belts", width_m=[12.0])
    areas = [at(box(5000, 5000, 5100, 5100)), at(box(0, -50, 50, 50))]
    write_features(maps, areas, layer="areas", category=["hill", "marsh"])
    scheme.write_text(SCHEME, encoding="utf-8")
    params = GrantOverlayInputs(
        belts=f"{maps}:belts", schemes=[scheme], grant_areas=[f"{maps}:areas"], start_year=2027
    )
    outline = shapely.to_wkb(at(box(-100, -100, 300, 100)))
    part = load(params, Reader(area=Area("h", outline, 500.0, str(tmp_path)))).areas
    whole = load(params, Reader()).areas
    assert part == whole and set(part) == {"hill", "marsh"}
    assert part["hill"].is_empty and part["marsh"].area == 5000.0
