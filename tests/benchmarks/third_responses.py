"""What testers would say of formulas in the third family: six ways in which a chemist might suspect it.

A latent is a function of u = {driver: values}, each running from 0 to 1 over the driver's range (those that do not vary
stand at their starting value). `scored` makes points of it. None is a polynomial.

    saturating   Hill and Langmuir curves, synergies as their products
    exponential  log-linear: effects multiply
    threshold    an onset (gelation, critical pigment volume): logistic in a mixture of the drivers
    ridge        a crest along an oblique, sometimes bent line, beside a saturating trend
    process      a Gaussian process on warped coordinates, main effects and an interaction, with a trend
    bench        a physical chain: eutectic of waxes -> percolating network -> film left on the lip -> light through it
"""

import numpy as np

KINDS = ("saturating", "exponential", "threshold", "ridge", "process", "bench")


def expit(x):
    return 1 / (1 + np.exp(-np.clip(x, -60, 60)))


def softplus(x, width):
    return width * np.logaddexp(0, x / width)


# ---- how each driver enters --------------------------------------------------------------------------------------------


def terms_of(couplings, drivers, flips, rng) -> list[tuple[str, str, float]]:
    """(driver, "+", "-" or "h", weight). What nobody knows is weak, of any form, and often not there at all."""
    found, first = [], True
    for driver, way in couplings.items():
        if driver not in drivers:
            continue
        weight = rng.uniform(0.8, 1.2) if first else rng.uniform(0.4, 0.95)
        if way == "?":
            if rng.random() < 0.5:
                continue
            way, weight = str(rng.choice(["+", "-", "h"])), rng.uniform(0.12, 0.45)
        if driver in flips:
            way, weight = {"+": "-", "-": "+"}[way], max(weight, 0.7)
        first = False
        found.append((driver, way, weight))
    return found


def _hump(rng):
    centre, left, right, power = rng.uniform(0.2, 0.8), rng.uniform(0.22, 0.5), rng.uniform(0.22, 0.5), rng.uniform(0.7, 1.5)

    def hump(u):
        v = np.clip(u, 0, 1.2) ** power - centre ** power
        width = left + (right - left) * expit(v / 0.12)         # steeper on one side, smooth at the top
        return 1.6 * np.exp(-0.5 * (v / width) ** 2)
    return hump


def _saturation(rng):
    k, n, hill = rng.uniform(0.12, 0.6), rng.uniform(1, 2.6), rng.random() < 0.6
    if hill:
        return lambda u: (1 + k ** n) * np.clip(u, 0, None) ** n / (k ** n + np.clip(u, 1e-9, None) ** n)
    return lambda u: (1 - np.exp(-u / k)) / (1 - np.exp(-1 / k))


def _oriented(shape, way, rng):
    """A rising shape turned to fall, from either end (early or late)."""
    if way == "+":
        return shape
    if rng.random() < 0.5:
        return lambda u: -shape(u)
    return lambda u: shape(1 - u)


# ---- the plain kinds ---------------------------------------------------------------------------------------------------


def saturating(terms, rng):
    parts = [(d, w, _hump(rng) if way == "h" else _oriented(_saturation(rng), way, rng)) for d, way, w in terms]
    pair, gain = None, 0.0
    if len(parts) > 1 and rng.random() < 0.7:
        pair, gain = [parts[0], parts[int(rng.integers(1, len(parts)))]], rng.uniform(-0.35, 0.9)

    def latent(u):
        z = sum(w * f(u[d]) for d, w, f in parts)
        if pair:
            z = z + gain * pair[0][2](u[pair[0][0]]) * pair[1][2](u[pair[1][0]])
        return z
    return latent


def exponential(terms, rng):
    reach, up = rng.uniform(1.4, 3.2), rng.random() < 0.5
    parts = [(d, way, w, _hump(rng)) for d, way, w in terms]

    def latent(u):
        e = sum(w * (f(u[d]) / 1.3 if way == "h" else u[d] if way == "+" else 1 - u[d]) for d, way, w, f in parts)
        return np.exp(reach * e) if up else -np.exp(-reach * e)
    return latent


def threshold(terms, rng):
    total = sum(w for _, way, w in terms if way != "h") or 1.0
    onset, steep, slope = rng.uniform(0.3, 0.7), rng.uniform(0.07, 0.18), rng.uniform(0.1, 0.6)
    own = {d: (rng.uniform(0.25, 0.75), rng.uniform(0.07, 0.16)) for d, _, _ in terms}
    apart = rng.random() < 0.4                                   # each driver with an onset of its own
    humps = {d: _hump(rng) for d, way, _ in terms if way == "h"}

    def latent(u):
        mono = [(d, w, u[d] if way == "+" else 1 - u[d]) for d, way, w in terms if way != "h"]
        z = sum(w * humps[d](u[d]) for d, way, w in terms if way == "h")
        if not mono:
            return z
        if apart:
            return z + sum(w * (expit((v - own[d][0]) / own[d][1]) + 0.3 * v) for d, w, v in mono)
        mixture = sum(w * v for _, w, v in mono) / total
        return z + total * (expit((mixture - onset) / steep) + slope * mixture)
    return latent


def ridge(terms, rng):
    base = saturating(terms, rng)
    drivers = [d for d, _, _ in terms]
    direction = rng.normal(size=len(drivers)) * [1.0 if way == "h" else 0.6 for _, way, _ in terms]
    direction /= np.abs(direction).sum()
    place, width, height = rng.uniform(0.25, 0.75), rng.uniform(0.16, 0.34), rng.uniform(0.5, 1.1)
    bend = rng.uniform(-0.5, 0.5) if len(drivers) > 1 else 0.0
    middle = 0.5 * direction.sum() + (place - 0.5) * 0.8

    def latent(u):
        s = sum(a * u[d] for a, d in zip(direction, drivers, strict=True)) - middle
        if bend:
            s = s + bend * (np.cos(1.5 * (u[drivers[0]] + u[drivers[1]])) - 0.3) * 0.4
        return base(u) + height / np.cosh(s / width)
    return latent


def _fourier(dim, rng, size):
    """A draw from a Gaussian process (rational quadratic: lengths mixed), as random Fourier features."""
    lengths = rng.uniform(0.35, 1.0, dim)
    mixed = np.sqrt(rng.gamma(3.0, 1 / 3.0, size=(size, 1)))
    waves, phases = rng.normal(size=(size, dim)) * mixed / lengths, rng.uniform(0, 2 * np.pi, size)
    weights = rng.normal(size=size) * np.sqrt(2 / size)
    return lambda x: np.cos(x @ waves.T + phases) @ weights


def process(terms, rng):
    drivers = [d for d, _, _ in terms]
    warps = {d: (rng.uniform(0.7, 1.6), rng.uniform(0.7, 1.6)) for d in drivers}      # Kumaraswamy
    mains = [_fourier(1, rng, 28) for _ in drivers]
    joint, share = _fourier(len(drivers), rng, 80), rng.uniform(0.3, 0.6)
    squash = rng.uniform(0.5, 1.2)

    def latent(u):
        v = {d: 1 - (1 - np.clip(u[d], 0, 1) ** a) ** b for d, (a, b) in warps.items()}
        z = share * joint(np.column_stack([v[d] for d in drivers]))
        for (d, way, w), main in zip(terms, mains, strict=True):
            trend = {"+": 2.2 * v[d], "-": -2.2 * v[d], "h": -5 * (np.sqrt(0.04 + (v[d] - 0.5) ** 2))}[way]
            z = z + w * (trend + 0.5 * main(v[d][:, None]))
        return np.tanh(squash * (z - np.mean(z0)) / np.std(z0)) if z0 is not None else z

    z0 = None
    probe = {d: rng.random(200) for d in drivers}
    z0 = latent(probe)
    return latent


# ---- likeness to a card ------------------------------------------------------------------------------------------------


def match(terms, kind, rng):
    """Falls off from one place in the drivers, which may lie a little outside; the kind says how."""
    drivers = [d for d, way, _ in terms if way == "h"] or [terms[0][0]]
    rest = [t for t in terms if t[0] not in drivers]
    n = len(drivers)
    centre = np.where(rng.random(n) < 0.15, rng.choice([-0.1, 1.1], n), rng.uniform(0.15, 0.85, n))
    axes = np.eye(n) + np.triu(rng.uniform(-0.8, 0.8, (n, n)), 1)
    axes = axes * rng.uniform(1.5, 3.2, (n, 1))
    field = process(terms, rng) if kind == "process" else None
    power, cut, steep = rng.uniform(0.8, 1.6), rng.uniform(0.7, 1.2), rng.uniform(0.15, 0.35)

    def latent(u):
        x = np.column_stack([u[d] for d in drivers]) - centre
        r = np.sqrt(0.03 + ((x @ axes.T) ** 2).sum(axis=1))
        z = {"saturating": lambda: 1 / (1 + r ** 2) ** power, "exponential": lambda: np.exp(-power * r),
             "threshold": lambda: expit((cut - r) / steep), "ridge": lambda: 1 / np.cosh(1.5 * x @ axes[0]) - 0.15 * r,
             "process": lambda: 1 / (1 + r ** 2) + 0.12 * field(u), "bench": lambda: 1 / (0.5 + r)}[kind]()
        return z + sum((1 if way == "+" else -1) * 0.25 * w * u[d] for d, way, w in rest)
    return latent


# ---- the bench: a physical chain ---------------------------------------------------------------------------------------


def bench(trait, terms, rng):
    """`terms` only say which drivers count and which are turned round (weight below 0)."""
    p = {"dip": rng.uniform(0.1, 0.45), "skew": rng.uniform(0.6, 1.6), "harder": rng.uniform(0.15, 0.5),
         "onset": rng.uniform(0.15, 0.5), "soft": rng.uniform(0.05, 0.12), "power": rng.uniform(1.1, 2.0),
         "butter": rng.uniform(0.05, 0.3), "with": rng.uniform(-0.4, 0.8), "best": rng.uniform(0.25, 0.75),
         "width": rng.uniform(0.25, 0.5), "spoilt": rng.uniform(0.2, 0.7), "film": rng.uniform(0.8, 2.0),
         "hide": rng.uniform(1.0, 2.6), "redder": rng.uniform(-0.3, 0.8), "filler": rng.uniform(0.0, 0.25),
         "wet": rng.uniform(0.2, 0.8), "crowd": rng.uniform(0.45, 0.85), "stribeck": rng.uniform(0.03, 0.2),
         "kinetic": rng.uniform(0.2, 0.6), "gel": rng.uniform(0.5, 1.0), "pearl": rng.uniform(0.3, 0.8)}
    turned = {d for d, _, w in terms if w < 0}

    def latent(u):
        g = {d: (1 - v if d in turned else v) for d, v in u.items()}
        a = lambda d, default=0.5: g.get(d, default)                                     # noqa: E731
        wax = a("wax") if "wax" in g else p["gel"] * a("gel") + 0.5 * a("thick")
        blend = np.clip(a("hard"), 0, 1) ** p["skew"]
        eutectic = 1 - p["dip"] * np.exp(-((blend - 0.5) / 0.25) ** 2) + p["harder"] * (blend - 0.5)
        colour = 0.25 + 0.75 * a("load")
        solids = (0.15 + 0.85 * wax) * eutectic + p["butter"] * a("butter") * (1 + p["with"] * (wax - 0.5))
        solids = solids + p["filler"] * (colour + a("mica", 0.0) - 0.6)
        setting = 1 - p["spoilt"] * (1 - np.exp(-((a("heat") - p["best"]) / p["width"]) ** 2))
        setting = setting * (1 - p["spoilt"] * (1 - np.exp(-((a("cool") - p["best"]) / p["width"]) ** 2)))
        network = softplus(solids - p["onset"], p["soft"]) ** p["power"] * setting       # percolation
        film = np.exp(-p["film"] * network) * (0.7 + p["wet"] * (a("oil") + 0.4 * a("butter") - 0.5))
        spread = 1 - 0.6 * np.exp(-(0.1 + a("stir")) / p["kinetic"])                     # agglomerates broken up
        density = p["hide"] * colour * film * spread * (1 + p["redder"] * (a("red") - 0.5))
        packed = colour * 0.6 + p["pearl"] * a("mica")
        if trait == "payoff":
            return 1 - np.exp(-density)
        if trait == "sheerness":
            return np.exp(-1.3 * p["hide"] * colour * spread * (1 + p["redder"] * (a("red") - 0.5)) * (0.5 + film))
        if trait == "hardness":
            return np.log(0.08 + network)
        if trait == "glide":
            viscous = np.log(0.05 + network)
            return -softplus(viscous - np.log(p["stribeck"]), 0.4) - 0.2 * softplus(np.log(0.08) - viscous, 0.3) \
                - 0.5 * expit((packed - p["crowd"]) / 0.08) + 0.3 * setting
        if trait == "tack":
            return 1.2 * softplus(a("thick", 0.0), 0.05) ** 1.7 + 1.3 * softplus(a("oil", 0.0), 0.05) ** 0.8 * np.exp(-network) + 0.5 * np.exp(
                -((wax - p["best"]) / p["width"]) ** 2) - 0.6 * colour * p["wet"] - p["pearl"] * a("mica", 0.0)
        if trait == "wear":
            return (1 - np.exp(-3 * network)) * (0.6 + 0.4 * spread) + 0.5 * np.exp(
                -((colour - 0.6) / 0.3) ** 2) - 0.2 * film
        if trait == "shine":
            return expit((p["crowd"] - packed) / 0.12) + 0.8 * np.sqrt(0.05 + softplus(a("thick"), 0.05)) \
                + 1.2 * p["pearl"] * np.exp(-((a("mica") - p["best"]) / p["width"]) ** 2) - 0.4 * network
        settle = colour / (0.15 + network + 0.3 * a("thick", 0.3))                       # evenness: what sinks, what clots
        return -np.log(0.2 + settle) + 1.2 * spread - 0.5 * expit((packed - p["crowd"]) / 0.1) + 0.5 * setting
    return latent


# ---- scores ------------------------------------------------------------------------------------------------------------


def latent_of(trait, kind, couplings, drivers, flips, rng):
    terms = terms_of(couplings, drivers, flips, rng)
    if trait == "shade":
        return match(terms, kind, rng)
    if kind == "bench":
        return bench(trait, [(d, way, -w if d in flips else w) for d, way, w in terms], rng)
    return {"saturating": saturating, "exponential": exponential, "threshold": threshold, "ridge": ridge,
            "process": process}[kind](terms, rng)


def scored(latent, sample, rng):
    """Points: a sample's 2 to 98 % on a span of 4.5 to 7.5 points, pressed gently into the scale."""
    low, high = np.quantile(latent(sample), [0.02, 0.98])
    span = rng.uniform(4.5, 7.5)
    foot = rng.uniform(0.6, 9.4 - span)
    width = max(high - low, 1e-9)

    def score(u):
        s = foot + span * (latent(u) - low) / width
        return 0.15 + softplus(s - 0.15, 0.35) - softplus(s - 9.85, 0.35)
    return score
