"""The shelf as JSON data, in the shape that ``lowmark shelf --json`` prints; see docs/json-upkeep.md."""

from __future__ import annotations

from agent.model.shelf import Advice, Need
from agent.model.stocktaking import Stocktaking
from agent.web.shapes import Data

_NEED = ("printer_id", "printer", "supply", "within", "expected", "run_out", "basis")


def shelf(one: Stocktaking) -> Data:
    """The whole shelf."""
    state = one.state
    return {
        "as_of": one.as_of,
        "currency": one.currency,
        "service_level": one.level,
        "stock": [
            {"part": pile.part, "place": pile.place, "count": pile.count, "counted": pile.counted}
            for pile in state.stock
        ],
        "parts": [
            {
                "part": part.name,
                "description": part.description,
                "models": list(part.models),
                "supplies": list(part.supplies),
                "price": None if part.price is None else str(part.price),
                "declared_yield": part.declared_yield,
                "fits": [
                    {"printer_id": fit.printer_id, "printer": fit.printer, "supplies": list(fit.supplies)}
                    for fit in one.fits.get(part.name, ())
                ],
            }
            for part in one.parts
        ],
        "orders": [
            {"part": order.part, "count": order.count, "at": order.at, "who": order.who, "expected": order.expected}
            for order in state.orders
        ],
        "advice": [_advice(each) for each in one.advice],
        "remarks": [{"part": remark.part, "text": remark.text} for remark in state.remarks],
    }


def _advice(one: Advice) -> Data:
    demand = one.demand
    return {
        "part": one.part,
        "order": one.order,
        "by": one.by,
        "on_hand": one.on_hand,
        "on_order": one.on_order,
        "up_to": one.up_to,
        "demand": None if demand is None else dict(zip(("mean", "p10", "p50", "p90"), demand, strict=True)),
        "stock_out": one.stock_out,
        "method": one.method,
        "reason": one.reason,
        "cost": None if one.cost is None else str(one.cost),
        "because": [_need(need) for need in one.because],
    }


def _need(need: Need) -> Data:
    return {name: getattr(need, name) for name in _NEED}
