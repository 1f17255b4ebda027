"""Run by the Python of a desktop GIS: open layers and rasters of a run, and draw each.

Writes one JSON object: what the GIS loaded by itself for each layer and raster.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

from qgis.core import (
    QgsApplication,
    QgsMapRendererSequentialJob,
    QgsMapSettings,
    QgsRasterLayer,
    QgsVectorLayer,
)
from qgis.PyQt.QtCore import QSize
from qgis.PyQt.QtGui import QColor


def drawn_colours(layer) -> list[str]:
    """Colours of a picture of a layer, most frequent first."""
    settings = QgsMapSettings()
    settings.setLayers([layer])
    settings.setBackgroundColor(QColor("#00ff00"))
    settings.setFlag(QgsMapSettings.Antialiasing, False)
    settings.setFlag(QgsMapSettings.DrawLabeling, False)
    settings.setOutputSize(QSize(300, 300))
    settings.setDestinationCrs(layer.crs())
    settings.setExtent(layer.extent().buffered(20))
    job = QgsMapRendererSequentialJob(settings)
    job.start()
    job.waitForFinished()
    image = job.renderedImage()
    counts: dict[str, int] = {}
    for x in range(image.width()):
        for y in range(image.height()):
            name = image.pixelColor(x, y).name()
            counts[name] = counts.get(name, 0) + 1
    return [name for name, _ in sorted(counts.items(), key=lambda item: -item[1])][:40]


def opened(folder: Path, layers: list[str]) -> dict[str, dict]:
    """What is loaded and drawn, by layer and raster."""
    found = {}
    for name in layers:
        layer = QgsVectorLayer(f"{folder / 'layers.gpkg'}|layername={name}", name, "ogr")
        root = layer.renderer().rootRule() if layer.renderer().type() == "RuleRenderer" else None
        found[name] = {
            "renderer": layer.renderer().type(),
            "legend": [rule.label() for rule in root.descendants()] if root else [],
            "active": [rule.label() for rule in root.children() if rule.active()] if root else [],
            "labels": layer.labelsEnabled(),
            "titles": [layer.attributeAlias(i) for i in range(layer.fields().count())],
            "features": layer.featureCount(),
            # A layer without features has no extent to draw.
            "colours": drawn_colours(layer) if layer.featureCount() else [],
            "server_style": layer.loadSldStyle(str(folder / f"layers.{name}.sld"))[1],
        }
    for path in sorted(folder.glob("rasters/*.tif")):
        raster = QgsRasterLayer(str(path), path.stem)
        found[path.stem] = {
            "renderer": raster.renderer().type(),
            "colours": drawn_colours(raster),
        }
    return found


if __name__ == "__main__":
    application = QgsApplication([], False)
    application.initQgis()
    sys.stdout.write(json.dumps(opened(Path(sys.argv[1]), sys.argv[2:])) + "\n")
    sys.stdout.flush()
