"""A result in open formats: GeoJSON, KML, GPX for maps, CSV and Parquet for tables."""

from __future__ import annotations

from analyzer.exports.export import FORMATS, export

__all__ = ["FORMATS", "export"]
