"""What the fleets of `other_fleets.py` are made of: the switches that break an assumption, kinds of compartment, and
faults. All invented.
"""

from dataclasses import dataclass, field


@dataclass(frozen=True)
class Breakage:
    """Which assumption is broken; the defaults break none. Shares 0..1, sd relative, times as factors.

    step_ppm: results are rounded to it. topups_missing: share not recorded. residual_times: of the usual share left at
    a change. wander: sd of the log rate, stationary (memory 1,500 h), or with `random_walk` its sd per sqrt(1000 h).
    lab_sd: log step of a second laboratory from
    the second year on at one of the two sites. fresh_si, fresh_cu: ppm more in the fresh fluid of half the machines.
    tails: t degrees of
    freedom of bottle and result, 0 normal. season: amplitude on wear. speeding: rates grow by this share of themselves
    per 1,000 h squared.
    exchanged: share of pair bottles. post_days: drawing to result. change_days: planned change after its bottle, 0 the
    same day.
    faults_times, signature: rate and strength of faults. effort: sd of the log of fuel burnt an hour, from 50 days to
    the next, with a count of it in the meters; by_fuel: share of the wear that goes with it.
    """

    step_ppm: float = 1.0
    topups_missing: float = 0.10
    residual_times: float = 1.0
    wander: float = 0.12
    random_walk: bool = False
    lab_sd: float = 0.0
    fresh_si: float = 0.0
    fresh_cu: float = 0.0
    tails: float = 0.0
    season: float = 0.0
    speeding: float = 0.0
    exchanged: float = 0.0
    post_days: int = 5
    change_days: int = 9
    faults_times: float = 1.0
    signature: float = 1.0
    effort: float = 0.0
    by_fuel: float = 0.0


BREAKAGES = {
    "nothing broken": Breakage(),
    "rounding to 5 ppm": Breakage(step_ppm=5.0),
    "top-ups not recorded": Breakage(topups_missing=0.9),
    "residual twice": Breakage(residual_times=2.0),
    "residual half": Breakage(residual_times=0.5),
    "wandering rates": Breakage(wander=0.35, random_walk=True),
    "another laboratory": Breakage(lab_sd=0.25),
    "another fresh fluid": Breakage(fresh_si=20.0, fresh_cu=10.0),
    "heavy-tailed bottles": Breakage(tails=3.0),
    "season": Breakage(season=0.30),
    "accelerating rates": Breakage(speeding=0.03),
    "exchanged labels": Breakage(exchanged=0.015),
    "bottles in the post at a change": Breakage(post_days=28, change_days=6),
    "changes on bottle days": Breakage(change_days=0),
    "no faults": Breakage(faults_times=0.0),
    "faults x3": Breakage(faults_times=3.0),
    "weak signatures": Breakage(signature=0.5),
}


@dataclass(frozen=True)
class Kind:
    """A kind of compartment: litres, loss as a share of the charge per hour, usual residual, intervals in hours, wear
    per hour at full charge.
    """

    litres: float
    loss: float
    residual: float
    sample_h: float
    change_h: float
    rates: dict[str, float]
    fluid: str
    grade: str
    visc40: float
    fresh: dict[str, float]
    pressurised: bool
    sealed: bool


_ENGINE_OIL = {"Ca_ppm": 2100, "Mg_ppm": 300, "Zn_ppm": 1150, "P_ppm": 1000, "B_ppm": 60, "Mo_ppm": 45}
_GEAR_OIL = {"Ca_ppm": 15, "Mg_ppm": 3, "Zn_ppm": 10, "P_ppm": 1500, "B_ppm": 150, "Mo_ppm": 1}
_DRIVE_OIL = {"Ca_ppm": 3000, "Mg_ppm": 10, "Zn_ppm": 1000, "P_ppm": 900, "B_ppm": 3, "Mo_ppm": 1}
_HYDRAULIC_OIL = {"Ca_ppm": 70, "Mg_ppm": 2, "Zn_ppm": 400, "P_ppm": 330, "B_ppm": 1, "Mo_ppm": 1}
KINDS = {
    "engine": Kind(32, 2.5e-4, 0.10, 250, 500, {"Fe_ppm": .050, "Cr_ppm": .004, "Cu_ppm": .010, "Pb_ppm": .008,
    "Sn_ppm": .003, "Al_ppm": .010, "Si_ppm": .016, "Na_ppm": .006, "K_ppm": .002, "soot_pct": .0018}, "engine oil",
    "SAE 15W-40", 108, _ENGINE_OIL, True, False),
    "transmission": Kind(50, 3e-5, 0.15, 500, 1000, {"Fe_ppm": .028, "Cr_ppm": .002, "Cu_ppm": .030, "Pb_ppm": .008,
    "Sn_ppm": .003, "Al_ppm": .009, "Si_ppm": .009, "Na_ppm": .001, "K_ppm": .0005, "ferrous_index": .012}, "drive oil",
    "SAE 30", 94, _DRIVE_OIL, True, False),
    "final drive": Kind(18, 0.0, 0.08, 500, 2000, {"Fe_ppm": .070, "Cr_ppm": .004, "Cu_ppm": .005, "Pb_ppm": .002,
    "Sn_ppm": .001, "Al_ppm": .008, "Si_ppm": .020, "Na_ppm": .001, "K_ppm": .0005, "ferrous_index": .035}, "drive oil",
    "SAE 50", 205, _DRIVE_OIL, False, True),
    "swing drive": Kind(8, 0.0, 0.08, 500, 1000, {"Fe_ppm": .060, "Cr_ppm": .003, "Cu_ppm": .009, "Pb_ppm": .003,
    "Sn_ppm": .0015, "Al_ppm": .005, "Si_ppm": .012, "Na_ppm": .001, "K_ppm": .0005, "ferrous_index": .030}, "gear oil",
    "SAE 80W-90", 142, _GEAR_OIL, False, True),
    "hydraulic": Kind(180, 8e-5, 0.35, 500, 4000, {"Fe_ppm": .005, "Cr_ppm": .0012, "Cu_ppm": .008, "Pb_ppm": .0015,
    "Sn_ppm": .0008, "Al_ppm": .0025, "Si_ppm": .005, "Na_ppm": .0006, "K_ppm": .0003}, "hydraulic oil", "ISO VG 46",
    46, _HYDRAULIC_OIL, True, False),
}  # fmt: skip
MACHINE_KINDS = {
    "excavator": (13.0, ["engine", "hydraulic", "swing drive", "final drive/left", "final drive/right"]),
    "rigid hauler": (15.0, ["engine", "transmission", "final drive/left", "final drive/right", "hydraulic"]),
}


@dataclass(frozen=True)
class Pattern:
    """A fault: where it occurs, its shape in time, what wear is multiplied by and what enters per hour at failure;
    conditions in their units.
    """

    where: tuple[str, ...]
    shape: str
    times: dict[str, float]
    adds: dict[str, float] = field(default_factory=dict)
    water_ppm: float = 0.0
    fuel_pct: float = 0.0
    loss: float = 0.0


PATTERNS = {
    "bearing fatigue": Pattern(("final drive", "swing drive", "transmission"), "exponential",
    {"Fe_ppm": 7, "Cr_ppm": 6, "ferrous_index": 15}),
    "dirt entry": Pattern(("engine", "final drive", "hydraulic"), "ramp",
    {"Si_ppm": 8, "Al_ppm": 6, "Fe_ppm": 3.5, "Cr_ppm": 3}),
    "coolant leak": Pattern(("engine",), "ramp", {"Cu_ppm": 2.5, "Pb_ppm": 3}, {"Na_ppm": 0.4, "K_ppm": 0.15},
    water_ppm=700),
    "fuel dilution": Pattern(("engine",), "step", {"Fe_ppm": 2, "Pb_ppm": 2.5}, fuel_pct=6.0),
    "bush or thrust washer wear": Pattern(("transmission", "swing drive"), "ramp",
    {"Cu_ppm": 6, "Pb_ppm": 7, "Sn_ppm": 6}),
    "pump wear": Pattern(("hydraulic",), "exponential", {"Cu_ppm": 12, "Fe_ppm": 8, "Pb_ppm": 7, "Sn_ppm": 6}),
    "seal leak": Pattern(("final drive", "swing drive"), "step", {"Si_ppm": 3, "Fe_ppm": 2.5}, water_ppm=900,
    loss=4e-4),
}  # fmt: skip
