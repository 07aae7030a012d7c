"""Run by a system Python that has QGIS: open layers, tell what QGIS sees as JSON, and draw a map.

Usage: qgis_reader.py REPORT.json MAP.png DATASET[|layername=NAME] ... ; the last one is drawn.
"""

import json
import sys

from qgis.core import QgsApplication, QgsMapRendererParallelJob, QgsMapSettings, QgsRasterLayer, QgsVectorLayer
from qgis.PyQt.QtCore import QSize
from qgis.PyQt.QtGui import QColor


def describe_vector(layer):
    renderer = layer.renderer()
    seen = {
        "kind": "vector",
        "valid": layer.isValid(),
        "features": layer.featureCount(),
        "crs": layer.crs().authid(),
        "renderer": renderer.type() if renderer else None,
        "aliases": {field.name(): field.alias() for field in layer.fields()},
        "labels": layer.labelsEnabled(),
        "geometry_valid": all(f.geometry().isGeosValid() for f in layer.getFeatures()),
        "area": sum(f.geometry().area() for f in layer.getFeatures()),
    }
    if seen["renderer"] == "categorizedSymbol":
        seen["attribute"] = renderer.classAttribute()
        seen["classes"] = [
            {
                "value": int(c.value()), "label": c.label(), "colour": c.symbol().symbolLayer(0).fillColor().name(),
                "layers": [part.layerType() for part in c.symbol().symbolLayers()],
            }
            for c in renderer.categories()
        ]  # fmt: skip
    if seen["renderer"] == "graduatedSymbol":
        seen["attribute"] = renderer.classAttribute()
        seen["classes"] = [
            {"lower": r.lowerValue(), "upper": r.upperValue(), "label": r.label()} for r in renderer.ranges()
        ]
    return seen


def describe_raster(layer):
    renderer = layer.renderer()
    seen = {"kind": "raster", "valid": layer.isValid(), "crs": layer.crs().authid(), "renderer": renderer.type()}
    seen["legend"] = [[label, QColor(colour).name()] for label, colour in renderer.legendSymbologyItems()]
    seen["bands"] = [layer.bandName(i + 1) for i in range(layer.bandCount())]
    return seen


def main():
    report, picture, *sources = sys.argv[1:]
    application = QgsApplication([], False)
    application.initQgis()
    seen, layers = {}, []
    for source in sources:
        raster = source.split("|")[0].endswith(".tif")
        layer = QgsRasterLayer(source, source) if raster else QgsVectorLayer(source, source, "ogr")
        seen[source] = describe_raster(layer) if raster else describe_vector(layer)
        layers = [layer]
    settings = QgsMapSettings()
    settings.setLayers(layers)
    settings.setDestinationCrs(layers[0].crs())
    settings.setExtent(layers[-1].extent())
    settings.setOutputSize(QSize(900, 600))
    settings.setBackgroundColor(QColor("white"))
    job = QgsMapRendererParallelJob(settings)
    job.start()
    job.waitForFinished()
    job.renderedImage().save(picture)
    with open(report, "w", encoding="utf-8") as handle:
        json.dump(seen, handle, ensure_ascii=False)
    layers.clear()
    del layer, job, settings
    application.exitQgis()


main()
