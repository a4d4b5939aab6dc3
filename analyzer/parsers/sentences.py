"""NMEA sentences of one kind as columns: what the text parser hands to the epoch builder. No object per sentence."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

#: Talker identifiers; index 0 stands for any other.
TALKERS = ("??", "GP", "GL", "GA", "GB", "BD", "GQ", "QZ", "GI", "GN", "HE", "II", "IN")


@dataclass
class Sentences:
    """All accepted sentences of one kind in stream order.

    Attributes
    ----------
    kind : three letters, e.g. ``GGA``.
    start, end : int64 byte range in the unpacked stream, line end included.
    talker : uint8 index into `TALKERS`.
    columns : name -> array of length n (2-D where said). Missing is NaN for floats, 0 for character codes.
        Character columns are uint8 ASCII codes. By kind:

        GGA  time_of_day_s latitude_deg longitude_deg quality satellites_used hdop height_msl_m geoid_separation_m
             correction_age_s station_id
        GNS  time_of_day_s latitude_deg longitude_deg mode (uint8: best letter of the mode string) satellites_used hdop
             height_msl_m geoid_separation_m correction_age_s station_id navigation_status (uint8)
        RMC  time_of_day_s status (uint8) latitude_deg longitude_deg speed_mps course_deg date_day (days since
             1970-01-01, two-digit years 80-99 are 19xx) mode (uint8) navigation_status (uint8)
        GLL  latitude_deg longitude_deg time_of_day_s status (uint8) mode (uint8)
        GST  time_of_day_s range_rms_m sigma_major_m sigma_minor_m sigma_orientation_deg sigma_north_m sigma_east_m sigma_up_m
        GBS  time_of_day_s error_north_m error_east_m error_up_m failed_satellite missed_detection bias_m bias_sigma_m
        GRS  time_of_day_s residual_mode residuals_m (n x 12) system_id signal_id
        ZDA  time_of_day_s date_day zone_minutes
        VTG  course_deg speed_mps mode (uint8)
        GSA  selection (uint8) dimension satellite_ids (n x 12) pdop hdop vdop system_id
        GSV  total number in_view satellites (n x 4 x 4: id elevation_deg azimuth_deg cn0_dbhz) signal_id (uint8)
        HDT  heading_deg
        THS  heading_deg mode (uint8)
        ROT  rate_degpmin status (uint8)
    texts : for rare kinds with text (DTM, TXT) the sentence bodies as a list of str; empty otherwise.
    decimals : int8, digits after the point of the latitude minutes (position kinds; -1 where no position).
    """

    kind: str
    start: NDArray[np.int64]
    end: NDArray[np.int64]
    talker: NDArray[np.uint8]
    columns: dict[str, NDArray[np.generic]]
    texts: list[str] = field(default_factory=list)
    decimals: NDArray[np.int8] | None = None

    def __len__(self) -> int:
        return len(self.start)
