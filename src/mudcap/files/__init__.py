"""Everything that touches a disk: readers safe against broken and hostile files, writers that leave no half file.

GDAL opens a file by its content, whatever its name says, and some of its drivers read other files, run pipelines or go
to the network. All that mudcap does not need is switched off here, before pyogrio is imported for the first time;
mudcap's own readers for untrusted files do not go through GDAL at all.
"""

import os as _os

GDAL_DRIVERS_OFF = (
    "OGR_VRT", "VRT", "GDALG", "HTTP", "WFS", "OAPIF", "OGCAPI", "CSW", "WCS", "WMS", "WMTS", "EEDA", "EEDAI",
    "PLSCENES", "PLMOSAIC", "Elasticsearch", "Carto", "AmigoCloud", "NGW", "MapML", "DAAS", "STACIT", "STACTA", "ADBC",
    "GTI", "Zarr", "PDF", "PGDUMP", "SXF", "OSM", "LVBAG",
)  # fmt: skip
"""Drivers that can read elsewhere, run something or reach an address, and some that nobody needs here."""


def _switch_off_drivers() -> None:
    wanted = [name for name in _os.environ.get("GDAL_SKIP", "").replace(" ", ",").split(",") if name]
    _os.environ["GDAL_SKIP"] = ",".join(dict.fromkeys([*wanted, *GDAL_DRIVERS_OFF]))
    _os.environ.setdefault("GDAL_DRIVER_PATH", "disable")
    _os.environ.setdefault("GDAL_DISABLE_READDIR_ON_OPEN", "TRUE")


_switch_off_drivers()
