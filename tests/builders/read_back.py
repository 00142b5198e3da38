"""Reads a page's figures back out of the browser and compares them with the tables next to them."""

from __future__ import annotations

from typing import Any

import numpy as np

READ = """() => [...document.querySelectorAll('script[data-figure]')].map(script => {
    const plot = document.getElementById(script.dataset.figure);
    const kinds = { f4: Float32Array, f8: Float64Array, i1: Int8Array, i2: Int16Array, i4: Int32Array,
                    u1: Uint8Array, u2: Uint16Array, u4: Uint32Array };
    // What Plotly was given: plain arrays, or bytes with their kind.
    const values = (given) => {
        if (given?.bdata === undefined) return Array.isArray(given) || ArrayBuffer.isView(given) ? [...given] : [];
        const bytes = Uint8Array.from(atob(given.bdata), (c) => c.charCodeAt(0));
        return [...new kinds[given.dtype](bytes.buffer)];
    };
    const bars = (bar) => bar?.array
        ? [values(bar.arrayminus ?? bar.array), values(bar.array)] : null;
    return {
        id: plot.id,
        columns: [...plot.closest('figure').querySelectorAll('table thead th')].map(c => c.textContent.trim()),
        rows: [...plot.closest('figure').querySelectorAll('table tbody tr')]
            .map(row => [...row.children].map(cell => cell.textContent.trim())),
        meta: plot.layout.meta ?? null,
        drawn: plot.querySelectorAll('.scatterlayer .trace').length,
        traces: plot.data.map(t => ({
            name: t.name, meta: t.meta ?? null, axis: t.yaxis ?? 'y', x: values(t.x), y: values(t.y),
            error_x: bars(t.error_x), error_y: bars(t.error_y), colour: values(t.marker?.color),
        })),
    };
})"""


def figures_of(page: Any) -> list[dict[str, Any]]:
    """Every figure of the page, unfolded and drawn: its traces, and the texts of its table."""
    page.evaluate("for (const fold of document.querySelectorAll('details:has(figure)')) fold.open = true")
    page.wait_for_function(
        "[...document.querySelectorAll('.plot')].every(plot => plot._fullLayout)", timeout=20_000
    )
    return page.evaluate(READ)


def number(text: str) -> float:
    return float(text.replace("\u2212", "-").replace("+", "").replace("%", "").strip())


def ends_of(text: str) -> tuple[float, float]:
    low, high = text.split(" to ")
    return number(low), number(high)


def percent(log_ratio: float) -> float:
    return float(100 * np.expm1(log_ratio))


def close(shown: Any, result: Any) -> bool:
    """Equal to two significant digits, which is what tables of effects have."""
    return bool(np.allclose(shown, result, rtol=0.051, atol=0.051))


def check(figure: dict[str, Any]) -> int:
    """Hold a figure against its table; gives how many numbers were compared."""
    kind = figure["id"].split("-")[0]
    assert figure["drawn"] > 0 or not figure["traces"], f"{figure['id']} shows nothing"
    checks = {
        "effects": ranges,
        "season": ranges,
        "forest": ranges,
        "course": course,
        "map": field_map,
        "curve": curves,
        "depends": dependence,
        "response": responses,
        "checks": loss_checks,
        "gain": gains,
    }
    return checks[kind](figure)


def ranges(figure: dict[str, Any]) -> int:
    at, span = (figure["columns"].index(name) for name in ("Change, %", "95 % range, %"))
    result = sorted((number(row[at]), *ends_of(row[span])) for row in figure["rows"] if row[at] != "–")
    shown = sorted(
        (percent(x), percent(x - minus), percent(x + plus))
        for trace in figure["traces"]
        if trace["error_x"]
        for x, minus, plus in zip(trace["x"], *trace["error_x"], strict=True)
    )
    if len(shown) == len(result):
        # Ties of the first number may lie in another order: look for each in the other list instead.
        assert all(any(close(one, other) for other in shown) for one in result), figure["id"]
    else:
        # Tables of many fields or changes, and of a season, hold rows that their figures leave out.
        assert len(shown) < len(result) and figure["id"].startswith(("forest", "season", "effects"))
    assert all(any(close(one, other) for other in result) for one in shown), figure["id"]
    if "Next field, %" in figure["columns"]:
        beyond = figure["columns"].index("Next field, %")
        expected = [ends_of(row[beyond]) for row in figure["rows"] if row[beyond] != "–"]
        drawn = [x for t in figure["traces"] if t["name"] == "next field" for x in t["x"] if x is not None]
        pairs = [(percent(a), percent(b)) for a, b in zip(drawn[::2], drawn[1::2], strict=True)]
        reach = percent(max((abs(x) for x in drawn), default=0.0)) + 1e-9
        cut = [(max(low, -100 * reach / (100 + reach)), min(high, reach)) for low, high in expected]
        assert all(any(close(one, other) for other in cut) for one in pairs), figure["id"]
    return 3 * len(shown)


def course(figure: dict[str, Any]) -> int:
    columns = figure["columns"]
    medians = [t for t in figure["traces"] if t["meta"] not in (None, "setting")]
    for column, trace in enumerate(medians, 2):
        result = [number(row[column]) if row[column] != "–" else np.nan for row in figure["rows"]]
        shown = np.array([np.nan if y is None else y for y in trace["y"]], dtype=float)
        assert np.allclose(shown, result, atol=6e-4, equal_nan=True), columns[column]
    middles = medians[0]["x"]
    for column, trace in enumerate((t for t in figure["traces"] if t["meta"] == "setting"), 2 + len(medians)):
        result = [row[column] for row in figure["rows"]]
        places = np.searchsorted(trace["x"], middles, side="right") - 1
        heights = [trace["y"][p] if p >= 0 else None for p in places]
        # Words are drawn as heights in order of appearance; a height must stand for one word throughout.
        # The middle of the first stretch may lie before the log begins; nothing is drawn there.
        pairs = {
            (h, text) for h, text, p in zip(heights, result, places, strict=True) if p >= 0 or text == "–"
        }
        assert len({h for h, _ in pairs}) == len({t for _, t in pairs}) == len(pairs), columns[column]
        for height, text in pairs:
            if height is not None and text.replace(".", "", 1).isdigit() and len(pairs) > 1 and height > 9:
                assert height == number(text)
    return len(figure["rows"]) * (len(columns) - 2)


def field_map(figure: dict[str, Any]) -> int:
    layers = [t for t in figure["traces"] if t["meta"] == "layer"]
    passes = np.array(figure["meta"]["passes"])
    assert len(layers) == len(figure["columns"]) - 3
    compared = 0
    for column, layer in enumerate(layers, 3):
        values = np.array([np.nan if c is None else c for c in layer["colour"]], dtype=float)
        assert values.size == passes.size == len(layer["x"])
        for row in figure["rows"]:
            here = values[passes == int(row[0])]
            assert here.size == int(row[2])
            if row[column] != "–":
                digits = len(row[column].partition(".")[2])
                assert abs(np.nanmedian(here) - number(row[column])) <= 0.56 * 10.0**-digits, row
                compared += 1
    return compared


def curves(figure: dict[str, Any]) -> int:
    losses = list(dict.fromkeys(row[0] for row in figure["rows"]))
    compared = 0
    for trace in figure["traces"]:
        place = losses[0 if trace["axis"] == "y" else 1] if len(losses) > 1 else losses[0]
        side = trace["name"].removesuffix(", fitted")
        column = {"medians": 3, "fitted": 5}[trace["meta"]]
        own = [row for row in figure["rows"] if row[:2] == [place, side]]
        assert len(own) == len(trace["x"]) > 0
        assert np.allclose(trace["x"], [number(row[2]) for row in own], atol=0.051)
        assert np.allclose(trace["y"], [number(row[column]) for row in own], atol=6e-4)
        compared += 2 * len(own)
    return compared


def dependence(figure: dict[str, Any]) -> int:
    compared = 0
    for trace in figure["traces"]:
        if trace["meta"] == "changes":
            result = [r for r in figure["rows"] if r[0] != "Line" and r[1] == trace["name"]]
            halves = trace["error_y"][1]
            for x, y, half, row in zip(trace["x"], trace["y"], halves, result, strict=True):
                assert abs(x - number(row[2])) <= 0.051
                assert close(
                    (percent(y), percent(y - half), percent(y + half)), (number(row[3]), *ends_of(row[4]))
                )
                compared += 4
    result = [row for row in figure["rows"] if row[0] == "Line"]
    lines = [t for t in figure["traces"] if t["meta"] == "line"]
    shown = [(x, percent(y)) for t in lines for x, y in zip(t["x"], t["y"], strict=True)]
    assert len(shown) == len(result)
    for (x, y), row in zip(shown, result, strict=True):
        assert abs(x - number(row[2])) <= 0.051 and close(y, number(row[3]))
    return compared + 2 * len(result)


def loss_checks(figure: dict[str, Any]) -> int:
    """The points hold the signal and the weighed loss of each check; the gain is their ratio."""
    (points,) = (trace for trace in figure["traces"] if trace["meta"] == "loss check")
    assert len(points["x"]) == len(figure["rows"]) > 0
    for x, y, row in zip(points["x"], points["y"], figure["rows"], strict=True):
        signal, lost, gain = (number(text.replace(",", "")) for text in row[2:5])
        assert np.allclose((x, y, y / x), (signal, lost, gain), rtol=0.006), figure["id"]
    return 3 * len(figure["rows"])


def gains(figure: dict[str, Any]) -> int:
    """The points, the course and its band hold the numbers of the table."""
    by_meta = {trace["meta"]: trace for trace in figure["traces"]}
    band, n = by_meta["range"]["y"], len(figure["rows"])
    shown = zip(by_meta["loss check"]["y"], by_meta["course"]["y"], reversed(band[n:]), band[:n], strict=True)
    for numbers, row in zip(shown, figure["rows"], strict=True):
        assert np.allclose(numbers, (number(row[1]), number(row[2]), *ends_of(row[3])), rtol=0.006), figure[
            "id"
        ]
    return 4 * n


def responses(figure: dict[str, Any]) -> int:
    """The curve and its band hold the numbers of the table; values tried and the best of them lie on the curve."""
    by_meta = {trace["meta"]: trace for trace in figure["traces"]}
    curve, band = by_meta["curve"], by_meta["range"]
    n = len(figure["rows"])
    shown = [
        (percent(y), percent(low), percent(high))
        for y, low, high in zip(curve["y"], reversed(band["y"][n:]), band["y"][:n], strict=True)
    ]
    for x, numbers, row in zip(curve["x"], shown, figure["rows"], strict=True):
        assert x == number(row[0])
        assert close(numbers, (number(row[1]), *ends_of(row[2]))), figure["id"]
    on_curve = set(zip(curve["x"], curve["y"], strict=True))
    for meta in ("tried", "in use", "best"):
        points = set(zip(by_meta[meta]["x"], by_meta[meta]["y"], strict=True)) if meta in by_meta else set()
        assert points <= on_curve, (figure["id"], meta)
    return 4 * n
