"""Steps that the tests of the county page share: choosing, sliding, reading totals, clicking fields."""

from __future__ import annotations

READY = "html[data-ready]"
ACRE_HA = 0.40468564224


def choose(page, name, value):
    page.select_option(f"#{name}", value)


def slide(page, name, value):
    page.eval_on_selector(
        f"#rule-{name}",
        "(n, v) => { n.value = v; n.dispatchEvent(new Event('input', {bubbles: true})); }",
        str(value),
    )
    page.evaluate("() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")


def totals(page) -> dict[int, list[float]]:
    """Zone code -> numbers of its row."""
    rows = page.eval_on_selector_all(
        "#totals-rows tr",
        "rows => rows.map(r => [r.dataset.zone, [...r.querySelectorAll('td')].map(c => c.textContent)])",
    )
    return {
        int(z): [float(c.replace(",", "").replace("\u2212", "-").lstrip("+")) for c in cells] for z, cells in rows
    }


def canvas_sum(page) -> int:
    return page.evaluate(
        """() => { const c = document.querySelector('#map_county canvas'); let s = 0;
        const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;
        for (let i = 0; i < d.length; i += 4) s = (s * 31 + d[i] + 256 * d[i + 1] + 65536 * d[i + 2]) % 2147483647;
        return s; }"""
    )


def click_field(page, field: int) -> None:
    """Click the map in the middle of a field that is in view."""
    x, y = page.evaluate(
        """(f) => { const p = SF.map.latLngToContainerPoint(SF.layer.boundsOf(f).getCenter());
        const b = document.getElementById('map_county').getBoundingClientRect();
        return [b.left + p.x, b.top + p.y]; }""",
        field,
    )
    page.mouse.click(x, y)
