"""Scores, what was to be reached, and how both are shown."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping
from typing import Any

import numpy as np
from rich.console import Console
from rich.table import Table

from tests.backtest import world
from tests.backtest.trial import FIELDS, GROUPS, TARGET, pinball, work_days

RATIO = {"1 %": (1.2, 1.6), "10 %": (1.5, 1.75)}
"""Median error as a multiple of the oracle's: up to 20 days ahead, and beyond."""
SCALES = {"in open hours": "", "by the clock": "_clock"}
"""In what errors are measured: days with the hours taken out in which nobody prints, or just days."""
COVERAGE = (0.76, 0.84)
LESS_PINBALL = 0.25
BIAS = 0.2
SWAPS = 0.99


def step_name(step: float) -> str:
    """How a step size is called."""
    return "some only" if step == world.SOME_ONLY else f"{step * 100:.0f} %"


def dress(rows: np.ndarray) -> dict[str, tuple[float, float, float]]:
    """For each rival the 10 %, 50 % and 90 % quantiles of truth over forecast, learnt on a tuning seed."""
    made = {}
    for name, column in (("line", 1), ("mean", 2)):
        ok = ~np.isnan(rows[:, 0]) & (rows[:, column] > 0.5) & (rows[:, column] < 60)
        ratio = rows[ok, 0] / rows[ok, column]
        made[name] = tuple(np.quantile(ratio, TARGET).tolist()) if ok.sum() > 20 else (1.0, 1.0, 1.0)
    return made  # type: ignore[return-value]


def score(rows: np.ndarray, reasons: list[str], dressed: Mapping[str, tuple[float, float, float]]) -> dict[str, Any]:
    """All figures of one step size."""
    columns = dict(zip(FIELDS, rows.T, strict=True))
    known = ~np.isnan(columns["true"])
    groups = {}
    for low, high in GROUPS:
        inside = known & (columns["p50"] >= low) & (columns["p50"] < high)
        if inside.sum() >= 5:
            groups[f"{low}-{high}"] = _group({name: column[inside] for name, column in columns.items()}, dressed)
    within = known & (columns["p50"] < 40)
    return {
        "forecasts": len(rows),
        "without_answer": float(np.isnan(columns["p50"]).mean()),
        "reasons": dict(Counter(re.sub(r"\d[\d,-]*", "N", reason)[:60] for reason in reasons if reason)),
        "groups": groups,
        "all": _group({name: column[within] for name, column in columns.items()}, dressed) if within.sum() else {},
        "up_to_20": _ratio(columns, known & (columns["p50"] >= 1) & (columns["p50"] < 20)),
        "up_to_20_limit": _ratio(columns, known & (columns["p50"] >= 1) & (columns["p50"] < 20), "limit"),
        "up_to_20_clock": _ratio(columns, known & (columns["p50"] >= 1) & (columns["p50"] < 20), "clock_p50", "clock_"),
    }


def _ratio(columns: Mapping[str, np.ndarray], inside: np.ndarray, whose: str = "p50", scale: str = "") -> float:
    if not inside.any():
        return float("nan")
    ours = np.nanmedian(np.abs(columns[whose] - columns[f"{scale}true"])[inside])
    return float(ours / np.nanmedian(np.abs(columns[f"{scale}oracle"] - columns[f"{scale}true"])[inside]))


def _workday_ratio(one: Mapping[str, np.ndarray]) -> float:
    real, ours, oracle = (work_days(one["day"], one[name]) for name in ("true", "p50", "oracle"))
    return float(np.median(np.abs(ours - real)) / max(1e-9, np.nanmedian(np.abs(oracle - real))))


def _group(one: Mapping[str, np.ndarray], dressed: Mapping[str, tuple[float, float, float]]) -> dict[str, float]:
    real = one["true"]
    miss = one["p50"] - real
    error = float(np.median(np.abs(miss)))
    oracle = float(np.nanmedian(np.abs(one["oracle"] - real)))
    whole = np.floor(real)
    loss = float(
        np.mean(
            [
                pinball(real, one[name], chance).mean()
                for name, chance in zip(("p10", "p50", "p90"), TARGET, strict=True)
            ]
        )
    )
    rivals = {}
    for name in ("line", "mean"):
        # Where a rival has no answer the other's is taken, so that all are judged on the same moments.
        other = one["mean" if name == "line" else "line"]
        day = np.where(np.isnan(one[name]), other, one[name])
        ok = ~np.isnan(day)
        day = np.minimum(day, 400.0)
        if not ok.any():
            rivals[name] = rivals[f"{name}_bare"] = float("nan")
            continue
        rivals[name] = float(
            np.mean(
                [
                    pinball(real[ok], day[ok] * factor, chance).mean()
                    for factor, chance in zip(dressed[name], TARGET, strict=True)
                ]
            )
        )
        rivals[f"{name}_bare"] = float(np.mean([pinball(real[ok], day[ok], chance).mean() for chance in TARGET]))
    better = np.nanmin([rivals["line"], rivals["mean"]])
    return {
        "n": int(real.size),
        "median_error": error,
        "oracle_error": oracle,
        "line_error": float(np.nanmedian(np.abs(one["line"] - real)))
        if (~np.isnan(one["line"])).any()
        else float("nan"),
        "mean_use_error": float(np.nanmedian(np.abs(one["mean"] - real))),
        "ratio_to_oracle": error / oracle,
        "ratio_to_oracle_mean": float(np.mean(np.abs(miss)) / np.nanmean(np.abs(one["oracle"] - real))),
        "ratio_to_oracle_workdays": _workday_ratio(one),
        "oracle_error_clock": float(np.nanmedian(np.abs(one["clock_oracle"] - one["clock_true"]))),
        "ratio_to_oracle_clock": _ratio(one, np.ones(real.size, dtype=bool), "clock_p50", "clock_"),
        "limit_ratio_clock": _ratio(one, np.ones(real.size, dtype=bool), "clock_limit", "clock_"),
        "volume_error": float(np.nanmedian(np.abs(one["volume"] - real))),
        "limit_ratio": float(np.nanmedian(np.abs(one["limit"] - real))) / oracle,
        "bias_median": float(np.median(miss)) / error,
        "bias_mean": float(np.mean(miss)) / error,
        "coverage": float(((one["p10"] <= real) & (real <= one["p90"])).mean()),
        "coverage_whole_days": float(((one["day10"] <= whole) & (whole <= one["day90"])).mean()),
        "pinball": loss,
        "pinball_line": rivals["line"],
        "pinball_mean_use": rivals["mean"],
        "pinball_line_bare": rivals["line_bare"],
        "pinball_mean_use_bare": rivals["mean_bare"],
        "less_pinball": 1 - loss / better,
    }


def verdicts(name: str, found: Mapping[str, Any]) -> list[tuple[str, bool]]:
    """What was to be reached at this step size, and whether it was."""
    made = []
    for group, one in found["groups"].items():
        made.append(
            (
                f"{group} days: coverage {one['coverage']:.1%} within 76..84 %",
                COVERAGE[0] <= one["coverage"] <= COVERAGE[1],
            )
        )
        made.append(
            (
                f"{group} days: bias {one['bias_median']:+.2f} of the median error, under 0.20",
                abs(one["bias_median"]) < BIAS,
            )
        )
        if name in RATIO:
            limit = RATIO[name][0 if group != "20-40" else 1]
            for scale, key in SCALES.items():
                text = f"{group} days: {one[f'ratio_to_oracle{key}']:.3f} x the oracle's error {scale}, at most {limit}"
                made.append((text, one[f"ratio_to_oracle{key}"] <= limit))
    if name in RATIO:
        for scale, key in SCALES.items():
            ratio, limit = found[f"up_to_20{key}"], RATIO[name][0]
            made.append(
                (f"1-20 days together: {ratio:.3f} x the oracle's error {scale}, at most {limit}", ratio <= limit)
            )
    if found["all"]:
        less = found["all"]["less_pinball"]
        made.append((f"pinball loss {less:.1%} less than the better rival's, at least 25 %", less >= LESS_PINBALL))
    if name in RATIO:
        for how, one in found["swaps"].items():
            made.append(
                (
                    f"swaps {how}: recall {one['recall']:.4f}, precision {one['precision']:.4f}, at least 0.99",
                    one["recall"] >= SWAPS and one["precision"] >= SWAPS,
                )
            )
    policies = found["policies"]
    if "swap at 10 %" in policies:
        fixed = policies["swap at 10 %"]
        best = [
            key
            for key, one in policies.items()
            if "chance" in key
            and one["stock_outs_per_100"] < fixed["stock_outs_per_100"]
            and one["pages_thrown_per_life"] < fixed["pages_thrown_per_life"]
        ]
        made.append((f"a forecast policy beats 'swap at 10 %' in both: {', '.join(best) or 'none'}", bool(best)))
    return made


def show(console: Console, head: Mapping[str, Any], found: Mapping[str, Any]) -> None:
    """Print everything."""
    console.print(
        f"Fleets {'harsher than' if head['hardness'] == 'harsh' else 'as hard as'} was asked for: "
        f"{head['printers']} printers x {head['days']} days, seeds {head['seeds']} "
        f"(tuned on {head['tuning_seeds']} only), {head['as_of_days_a_printer']} random moments a printer, "
        f"public holidays "
        f"{'told' if head['holidays_told'] else 'not told'}; times in days.\n"
        "Errors are in days with the hours taken out in which nobody prints. x oracle: ours over the oracle's median\n"
        "error, the same in workdays, and in days by the clock. limit: that of an exact filter which is told all but\n"
        "the level of use (and takes its drift for a walk), in open hours and by the clock. volume: an oracle that is\n"
        "told the pages left but must learn the pages to come from the counter, as any must. Swaps: of a harsh fleet.\n"
        "The rivals' pinball loss is that of their day dressed with "
        "intervals learnt on a tuning seed.\n"
    )
    table = Table(title="Forecasts, by step and by their own P50", title_justify="left", box=None, pad_edge=False)
    for column in (
        "step",
        "P50",
        "n",
        "med. err",
        "oracle",
        "x oracle",
        "(workd.)",
        "limit",
        "(clock)",
        "limit",
        "volume",
        "line",
        "mean use",
        "bias",
        "mean bias",
        "80 % int.",
        "in days",
        "pinball",
        "line",
        "mean use",
        "less",
    ):
        table.add_column(column, justify="left" if column in ("step", "P50") else "right")
    for name, one in found.items():
        for group, row in {**one["groups"], "all < 40": one["all"]}.items():
            if row:
                table.add_row(
                    name,
                    group,
                    str(row["n"]),
                    f"{row['median_error']:.2f}",
                    f"{row['oracle_error']:.2f}",
                    f"{row['ratio_to_oracle']:.2f}",
                    f"{row['ratio_to_oracle_workdays']:.2f}",
                    f"{row['limit_ratio']:.2f}",
                    f"{row['ratio_to_oracle_clock']:.2f}",
                    f"{row['limit_ratio_clock']:.2f}",
                    f"{row['volume_error']:.2f}",
                    f"{row['line_error']:.2f}",
                    f"{row['mean_use_error']:.2f}",
                    f"{row['bias_median']:+.2f}",
                    f"{row['bias_mean']:+.2f}",
                    f"{row['coverage']:.1%}",
                    f"{row['coverage_whole_days']:.1%}",
                    f"{row['pinball']:.2f}",
                    f"{row['pinball_line']:.2f}",
                    f"{row['pinball_mean_use']:.2f}",
                    f"{row['less_pinball']:.0%}",
                )
    console.print(table)
    _policies(console, found)
    for name, one in found.items():
        console.print(
            f"\n{name}: {one['without_answer']:.1%} without an answer {one['reasons'] or ''}; "
            f"up to 20 days {one['up_to_20']:.2f} x the oracle (limit {one['up_to_20_limit']:.2f})",
            markup=False,
        )
        for text, good in verdicts(name, one):
            console.print(f"  {'reached    ' if good else 'NOT REACHED'}  {text}", markup=False)


def _policies(console: Console, found: Mapping[str, Any]) -> None:
    table = Table(title="\nPolicies (a round every workday)", title_justify="left", box=None, pad_edge=False)
    for column in ("step", "policy", "lives", "stock-outs per 100", "pages thrown away a life", "share thrown away"):
        table.add_column(column, justify="left" if column in ("step", "policy") else "right")
    for name, one in found.items():
        for policy, row in one["policies"].items():
            table.add_row(
                name,
                policy,
                str(row["lives"]),
                f"{row['stock_outs_per_100']:.1f}",
                f"{row['pages_thrown_per_life']:,.0f}",
                f"{row['share_thrown']:.1%}",
            )
    console.print(table)
