"""Write photutils_values.json: what photutils finds in a drawn light and in a star field.  Run by hand:

``python make_photutils_values.py STARFIELD.fits``

photutils is not among the requirements: tests hold the program against the numbers written here.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import astropy
import numpy as np
import photutils
from astropy.io import fits
from photutils.aperture import CircularAperture
from photutils.centroids import centroid_2dg
from photutils.profiles import CurveOfGrowth, RadialProfile

EDGES = np.arange(0.5, 13.0)
STARS = ((232, 182), (148, 33), (80, 11), (218, 130), (84, 182))


def drawn() -> np.ndarray:
    """A Moffat light of a = 4 px, b = 2.5 at (40.3, 36.7) with a Gaussian core of 1.6 px, on a ground of 0.02."""
    y, x = np.mgrid[:80, :84]
    r2 = (x - 40.3) ** 2 + (y - 36.7) ** 2
    return 0.02 + 0.5 * (1 + r2 / 16.0) ** -2.5 + 0.3 * np.exp(-r2 / (2 * 1.6**2))


def of_light(data: np.ndarray, near: tuple[float, float], half: int = 6) -> dict[str, object]:
    """Centre, profile, curve of growth and Gaussian width of one light."""
    x0, y0 = round(near[0]) - half, round(near[1]) - half
    part = data[y0 : y0 + 2 * half + 1, x0 : x0 + 2 * half + 1]
    found = centroid_2dg(part - np.median(data))
    centre = (float(found[0]) + x0, float(found[1]) + y0)
    profile = RadialProfile(data - np.median(data), centre, EDGES)
    growth = CurveOfGrowth(data, centre, EDGES)
    return {
        "centre": centre,
        "radius_px": profile.radius.tolist(),
        "profile": (profile.profile + np.median(data)).tolist(),
        "gaussian_half_width_px": float(profile.gaussian_fwhm) / 2,
        "growth_radius_px": growth.radius.tolist(),
        "growth": growth.profile.tolist(),
        "area_px2": [CircularAperture(centre, r).area for r in growth.radius],
    }


def main() -> None:
    """Write the file beside this one."""
    sky = fits.getdata(sys.argv[1]).astype(float)
    made = {
        "source": f"photutils {photutils.__version__}, astropy {astropy.__version__}; exact apertures",
        "drawn": of_light(drawn(), (40, 37), half=20),
        "starfield": {"median": float(np.median(sky)), "lights": [of_light(sky, star) for star in STARS]},
    }
    Path(__file__).with_name("photutils_values.json").write_text(json.dumps(made, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
