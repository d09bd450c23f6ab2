"""Simulates the folder that many sites' exports are synced into: hours and answers, with a known truth."""

import shutil
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

# Ah/day: what boards of each revision drift by on average over all sites.
TRUTH = {"A": 1.2, "B": -0.3, "C": 0.5}
# Standard deviations in Ah/day of what a site does to all its packs, and of what boards of one revision differ by.
BETWEEN_SITES = 0.30
BETWEEN_PACKS = 0.20
HOURS = 365 * 24
BEGIN_MS = 1_735_689_600_000  # 2025-01-01T00:00:00Z
MONTHS = np.datetime64("2025-01", "M") + np.arange(13)


def fleet(seed, sites=200):
    """The packs of all sites, as a dict of columns: site, pack, revision, capacity_ah, rate, uncertainty."""
    rng = np.random.default_rng(seed)
    packs = {name: [] for name in ["site", "pack", "revision", "capacity_ah", "rate", "uncertainty"]}
    for site in range(sites):
        of_site = rng.normal(0, BETWEEN_SITES)
        for pack in range(rng.integers(2, 6)):
            revision = rng.choice(list(TRUTH))
            # What a winter's answer is good for: better where there were more full charges.
            uncertainty = rng.uniform(0.02, 0.25)
            true = TRUTH[revision] + of_site + rng.normal(0, BETWEEN_PACKS)
            packs["site"].append(f"hut-{site:03}")
            packs["pack"].append(f"pack-{pack}")
            packs["revision"].append(str(revision))
            packs["capacity_ah"].append(float(rng.choice([100, 150, 200, 230])))
            packs["rate"].append(true + rng.normal(0, uncertainty))
            packs["uncertainty"].append(uncertainty)
    return packs


def answers(packs, month):
    """The packs' answers at the end of a month."""
    count = len(packs["site"])
    at_ms = int(MONTHS[month + 1].astype("datetime64[ms]").astype(int)) - 1
    return pa.table(
        {
            "bank": packs["site"],
            "pack": packs["pack"],
            "revision": packs["revision"],
            "capacity_ah": packs["capacity_ah"],
            "until": pa.array([at_ms] * count, pa.timestamp("ms", "UTC")),
            "rate_ah_per_day": packs["rate"],
            # A shorter record says less.
            "rate_expanded_uncertainty_ah_per_day": 2 * np.array(packs["uncertainty"]) * 12 / (month + 1),
        }
    )


def hours(rng, names, capacities):
    """A year of hours of one site: its packs and the shunt, with a tenth of a percent of hours not heard at all."""
    parts = []
    hour = np.arange(HOURS)
    sun = np.clip(np.sin((hour % 24 - 6) / 12 * np.pi), 0, None)
    for name, capacity in [*zip(names, capacities), ("shunt", sum(capacities))]:
        load = rng.gamma(4, 0.004, HOURS) * capacity
        charged = sun * rng.beta(2, 3, HOURS) * 0.12 * capacity
        there = rng.random(HOURS) > 0.001
        columns = {
            "hour_begin": pa.array(BEGIN_MS + hour[there] * 3_600_000, pa.timestamp("ms", "UTC")),
            "instrument": pa.array([name] * int(there.sum())),
            "readings": rng.integers(55, 61, HOURS)[there],
            "heard_s": np.minimum(3600, rng.integers(3540, 3700, HOURS))[there],
            "charged_ah": np.round(charged, 4)[there],
            "discharged_ah": np.round(load, 4)[there],
        }
        parts.append(pa.table(columns))
    return pa.concat_tables(parts)


def write(folder, table, site, month, rows):
    """Writes one partition as `packdrift export --partition` lays them out."""
    place = Path(folder, table, f"site={site}", f"month={MONTHS[month]}")
    place.mkdir(parents=True)
    pq.write_table(rows, place / f"{table}.parquet", compression="zstd")


def folder(path, seed=1, sites=200):
    """Writes the whole folder anew."""
    shutil.rmtree(path, ignore_errors=True)
    rng = np.random.default_rng(seed)
    packs = fleet(seed, sites)
    of_site = np.array(packs["site"])
    edges = MONTHS.astype("datetime64[ms]").astype(int)
    for site in dict.fromkeys(packs["site"]):
        mine = np.flatnonzero(of_site == site)
        year = hours(rng, [packs["pack"][p] for p in mine], [packs["capacity_ah"][p] for p in mine])
        begins = year["hour_begin"].cast(pa.int64()).to_numpy()
        own = {name: [values[p] for p in mine] for name, values in packs.items()}
        for month in range(12):
            inside = (begins >= edges[month]) & (begins < edges[month + 1])
            write(path, "hours", site, month, year.filter(pa.array(inside)))
            write(path, "answers", site, month, answers(own, month))
