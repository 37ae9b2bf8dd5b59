"""The load of looks by week over some years, before and after levelling, as SVG."""

from __future__ import annotations

from collections.abc import Mapping


def load_svg(due: Mapping[int, int], after: Mapping[int, int], weeks: int, capacity: int) -> str:
    """Looks a week as they fall due, and as they were done or skipped; by number of the week."""
    top = max(*due.values(), *after.values(), capacity)
    width, height, left = 3.2, 110.0, 46.0
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {left + weeks * width + 12:.0f} 330"'
        ' font-family="sans-serif" font-size="12" role="img"'
        ' aria-label="Looks a week over the years, before and after levelling">'
    )
    parts = [head, '<rect width="100%" height="100%" fill="#fff"/>']
    for number, (words, load, colour) in enumerate(
        (("As they fall due", due, "#8a4b08"), ("As they were done or skipped", after, "#1f5f8b"))
    ):
        base = 150.0 + number * 155.0
        parts.append(f'<text x="{left}" y="{base - height - 12}" font-weight="bold">{words}</text>')
        for week, count in sorted(load.items()):
            tall = height * count / top
            parts.append(
                f'<rect x="{left + week * width:.1f}" y="{base - tall:.1f}"'
                f' width="{width - 0.6:.1f}" height="{tall:.1f}" fill="{colour}"/>'
            )
        line = base - height * capacity / top
        end = left + weeks * width
        parts.append(
            f'<path d="M{left} {line:.1f}H{end:.1f}" stroke="#222" stroke-dasharray="5 4"/>'
            f'<path d="M{left} {base}H{end:.1f}" stroke="#222"/>'
            f'<text x="4" y="{line + 4:.1f}">{capacity} a wk</text>'
            f'<text x="20" y="{base - height + 4:.1f}">{top}</text>'
        )
    parts += [
        f'<text x="{left + year * 52 * width:.1f}" y="322">year {year + 1}</text>'
        for year in range(weeks // 52)
    ]
    return "\n".join([*parts, "</svg>", ""])
