"""The balance of metal in a fluid by the other generator: exact over a day, in lumps for top-ups and changes; and how a
fault grows.
"""

import numpy as np

Array = np.ndarray


def after_work(content: Array, volume: Array, wear: Array, loss_l: Array, hours: Array) -> tuple[Array, Array]:
    """(content, volume) after `hours` of constant wear, fluid lost at the content of the moment, nothing added; exact.

    dM/dt = wear - loss M / V and dV/dt = -loss give dC/dt = wear / V(t): C + wear / loss ln(V / (V - loss hours)),
    which is C + wear hours / V without loss. content (compartments, analytes), wear in content times litres per hour,
    volume in litres, loss in litres per hour.
    """
    lost = loss_l * hours
    share = lost / volume
    effective = np.where(share > 1e-12, -np.log1p(-share) / np.where(share > 1e-12, share, 1.0), 1.0) * hours / volume
    return content + wear * effective[..., None], volume - lost


def after_top_up(content: Array, volume: Array, litres: Array, fresh: Array) -> tuple[Array, Array]:
    """(content, volume) after litres of fluid of content `fresh` were added and mixed."""
    return (content * volume[..., None] + fresh * litres[..., None]) / (volume + litres)[..., None], volume + litres


def after_change(content: Array, residual: float, fresh: Array) -> Array:
    """Content after a change that leaves the share `residual` of the old fluid in a full charge."""
    return residual * content + (1 - residual) * fresh


def strength(shape: str, way: float) -> float:
    """Effect of a fault at a share `way` (0..1) of its course, 0 to 1."""
    way = min(max(way, 0.0), 1.0)
    if shape == "step":
        return 0.0 if way == 0 else 0.55 + 0.45 * way
    return way if shape == "ramp" else float(np.expm1(3 * way) / np.expm1(3.0))
