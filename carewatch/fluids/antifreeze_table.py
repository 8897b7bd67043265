"""First-ice points of antifreeze mixtures, as data.

Melinder-type values: fitted property data of Melinder (2010), Properties of secondary working fluids for indirect
systems, as tabulated by CoolProp 8.0.0 (fluids INCOMP::MPG, MEG, MMA, MEA, MGL; MIT licence), every 2 mass %.
Between the entries the true curve lies above the straight line by less than 0.06 °C.

Handbook values: Lange's Handbook of Chemistry, 15th ed., Table 5.13 (propylene glycol, volume %). Its footnote says
that inhibitors and water in commercial products shift the values.
"""

from __future__ import annotations

STEP_MASS_PCT = 2.0

# fmt: off
MELINDER_FIRST_ICE_C: dict[str, tuple[float, ...]] = {  # at 0, 2, 4, ... mass %
    "propylene_glycol": (
        0.0, -0.43, -0.93, -1.51, -2.16, -2.87, -3.63, -4.45, -5.31, -6.22, -7.17, -8.18, -9.24, -10.35, -11.53,
        -12.79, -14.13, -15.56, -17.11, -18.77, -20.57, -22.52, -24.64, -26.94, -29.46, -32.19, -35.18, -38.43,
        -41.97, -45.82, -50.0,
    ),
    "ethylene_glycol": (
        0.0, -0.62, -1.25, -1.92, -2.62, -3.36, -4.15, -5.0, -5.91, -6.89, -7.95, -9.09, -10.32, -11.64, -13.06,
        -14.58, -16.2, -17.93, -19.78, -21.74, -23.81, -26.01, -28.32, -30.76, -33.31, -35.99, -38.8, -41.72,
        -44.76, -47.92, -51.2,
    ),
    "methanol": (
        0.0, -1.13, -2.35, -3.67, -5.07, -6.54, -8.09, -9.72, -11.43, -13.21, -15.08, -17.03, -19.06, -21.18, -23.38,
        -25.68, -28.08, -30.58, -33.18, -35.89, -38.7, -41.63, -44.67, -47.82, -51.09, -54.47, -57.96, -61.56,
        -65.28, -69.09, -73.01,
    ),
    "ethanol": (
        0.0, -0.83, -1.62, -2.46, -3.37, -4.38, -5.5, -6.73, -8.08, -9.55, -11.12, -12.79, -14.54, -16.36, -18.24,
        -20.14, -22.06, -23.97, -25.87, -27.73, -29.53, -31.28, -32.96, -34.58, -36.12, -37.61, -39.05, -40.47,
        -41.9, -43.36, -44.91,
    ),
    "glycerol": (
        0.0, -0.4, -0.81, -1.27, -1.77, -2.31, -2.88, -3.5, -4.15, -4.83, -5.55, -6.31, -7.11, -7.95, -8.83, -9.76,
        -10.74, -11.78, -12.89, -14.07, -15.33, -16.68, -18.13, -19.69, -21.37, -23.19, -25.16, -27.3, -29.62,
        -32.15, -34.89,
    ),
}
# fmt: on

LANGE_VOL_PCT = (0.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0, 45.0, 50.0)
LANGE_PROPYLENE_GLYCOL_C = (0.0, -1.1, -2.2, -3.9, -6.7, -8.9, -12.8, -16.1, -20.6, -26.7, -33.3)

# Densities at 20 °C [kg/m3], for volume to mass of unmixed volumes. Water, methanol, ethanol: CoolProp 8.0.0.
# Glycols and glycerol: from memory; 1 % of density moves the result by less than 0.3 mass %.
WATER_KG_PER_M3 = 998.2
DENSITY_KG_PER_M3 = {
    "propylene_glycol": 1036.0,
    "ethylene_glycol": 1113.0,
    "methanol": 791.0,
    "ethanol": 789.0,
    "glycerol": 1261.0,
}
