"""The three devices of the sample scenario.  All figures are invented."""

from __future__ import annotations

from viewer.lab.tube import Tube
from viewer.lab.waves import Pulse

HERON = Tube(
    name="Heron",
    seed=31,
    field_deg=40.0,
    sensitivity_ua_lm=800.0,
    noise_factor=2.1,
    optics_sigma_deg=0.046,
    spot_sigma_deg=0.052,
    gap_mm=0.24,
    halo_share=0.13,
    veil_share=0.075,
    veil_deg=2.6,
    ebi_lx=0.15e-6,
    knee_lx=1.6e-3,
    fixed_pattern=0.022,
    dark_spots=6,
    vignette=0.26,
    phosphor_xy=(0.313, 0.495),
)
BITTERN = Tube(
    name="Bittern",
    seed=32,
    field_deg=40.0,
    sensitivity_ua_lm=1050.0,
    noise_factor=1.7,
    optics_sigma_deg=0.040,
    spot_sigma_deg=0.044,
    gap_mm=0.18,
    halo_share=0.09,
    veil_share=0.045,
    veil_deg=2.4,
    ebi_lx=0.10e-6,
    gate=Pulse(rate_hz=172.0, duty=0.46, floor=0.30, decay_s=0.00075, phase=0.21),
    knee_lx=1.2e-3,
    fixed_pattern=0.016,
    dark_spots=3,
    vignette=0.22,
    phosphor_xy=(0.278, 0.312),
)
PLOVER = Tube(
    name="Plover",
    seed=33,
    field_deg=38.0,
    objective_mm=26.0,
    sensitivity_ua_lm=900.0,
    noise_factor=1.9,
    optics_sigma_deg=0.050,
    spot_sigma_deg=0.050,
    gap_mm=0.29,
    halo_share=0.16,
    veil_share=0.09,
    veil_deg=3.2,
    ebi_lx=0.22e-6,
    gate=Pulse(rate_hz=487.0, duty=0.40, floor=0.25, decay_s=0.0003, phase=0.4),
    knee_lx=1.0e-3,
    fixed_pattern=0.024,
    dark_spots=5,
    vignette=0.24,
    phosphor_xy=(0.300, 0.372),
)

__all__ = ["BITTERN", "HERON", "PLOVER"]
