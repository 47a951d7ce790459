"""What each cause has cost, in hours of clear sky.

A sub of exposure t and figure q has given t q/q_ref hours of a clear, moonless night with usual stars; the rest, t (1 - q/q_ref),
is lost. It is shared among the causes by -ln of each factor of q/q_ref, because factors multiply. A dropped sub has lost all.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable

import numpy as np

from nightfold.judge.records import Loss, SubFacts, Verdict

SHORTEST_HOURS = 1.0 / 3600.0


def losses(judged: Iterable[tuple[SubFacts, Verdict, str | None]]) -> list[Loss]:
    """Losses by cause and night, costliest first.

    `judged` holds each sub with its verdict and a person's decision ("keep", "drop" or None). Causes beside those of verdicts:
    "short-subs" (read-out noise beyond a twentieth of the variance) and "low-altitude" (extinction against the best altitude).
    """
    found = list(judged)
    best_air = max((v.factors.altitude for s, v, _ in found if np.isfinite(v.factors.altitude)), default=1.0)
    hours: dict[tuple[str, str | None], float] = defaultdict(float)
    for sub, verdict, decision in found:
        for cause, lost in _of_sub(sub, verdict, decision, best_air).items():
            hours[(cause, sub.night)] += lost
    told = [Loss(cause=c, night=n, hours=h) for (c, n), h in hours.items() if h >= SHORTEST_HOURS]
    return sorted(told, key=lambda loss: (-loss.hours, loss.cause, loss.night or ""))


def _of_sub(sub: SubFacts, verdict: Verdict, decision: str | None, best_air: float) -> dict[str, float]:
    whole = sub.exposure_s / 3600.0
    if decision == "drop":
        return {"person": whole}
    if not verdict.keep and decision != "keep":
        return {verdict.causes[0][0] if verdict.causes else "unreadable": whole}
    f = verdict.factors
    shares = {
        verdict.dim_cause or "cloud": f.transparency,
        "low-altitude": f.altitude / best_air,
        "sky-glow": f.sky,
        "short-subs": f.read_out,
    }
    blur = verdict.blur_cause or "seeing"
    shares[blur] = shares.get(blur, 1.0) * f.blur
    logs = {cause: -float(np.log(max(value, 1e-6))) for cause, value in shares.items() if np.isfinite(value)}
    lost = whole * (1.0 - float(np.exp(-sum(logs.values()))))
    positive = {cause: log for cause, log in logs.items() if log > 0.0}
    total = sum(positive.values())
    if lost <= 0.0 or total <= 0.0:
        return {}
    return {cause: lost * log / total for cause, log in positive.items()}
