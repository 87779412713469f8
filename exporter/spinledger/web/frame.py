"""The frame of every page: head, header, shapes used more than once, legend, footer.

Rules of this room: no outside asset, no form; every text from outside is escaped.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from spinledger import __version__
from spinledger.quiet.hours import Calendar, windows_between
from spinledger.strip import Range
from spinledger.web.assets import SCRIPT, STYLE
from spinledger.web.context import PageContext
from spinledger.web.html import safe, time_tag
from spinledger.web.strips import TALL, bands

_GLYPHS = {
    "active": '<path class="t" d="M0 2h24v13H0z"/><path class="a" d="M0 7h24v8H0z"/>',
    "idle": '<path class="t" d="M0 2h24v13H0z"/>',
    "standby": '<path class="z" d="M0 11h24v4H0z"/>',
    "unknown": '<path class="u" d="M0 2h24v13H0z"/>',
}
"""The state now, in the shapes of the strips: 24 by 15."""


def page(
    title: str,
    lead: str,
    body: str,
    context: PageContext,
    now: int | None = None,
    fixed: bool = False,
) -> str:
    """A whole page. `lead` stands in the header, `body` is renewed unless it is fixed; `now` is the
    snapshot's.
    """
    host = f"On {safe(context.host)}, " if context.host else ""
    when = (
        f"{time_tag(now, context.tz)}; times" if now is not None else "times" if host else "Times"
    )
    zone = f'<p class="soft">{host}{when} in the time zone {safe(context.zone)}.</p>'
    live = f'<div id="live">\n{zone}\n{body}\n</div>'
    return f"""<!DOCTYPE html>
<html lang="en" data-zone="{safe(context.zone)}">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{title}</title>
<style>{STYLE}</style>
</head>
<body>
<a class="skip" href="#main">To the content</a>
<header>
<h1>{lead}</h1>
</header>
<main id="main">{body if fixed else live}</main>
<script>{SCRIPT}</script>
</body>
</html>
"""


def definitions(
    shading: Mapping[str, tuple[str, Calendar]], ranges: Iterable[Range], now: int
) -> str:
    """Shapes used more than once: hatching, gaps of ticks, glyphs, quiet hours of these ranges."""
    parts = [
        '<pattern id="hatch" width="5" height="5" patternUnits="userSpaceOnUse"'
        ' patternTransform="rotate(45)"><path fill="var(--unknown)" d="M0 0h3v5H0z"/></pattern>'
        f'<pattern id="comb" width="1" height="{TALL}" patternUnits="userSpaceOnUse">'
        f'<path fill="var(--soft)" d="M.2 0h.6v{TALL}h-.6z"/></pattern>'
    ]
    parts += [
        f'<symbol id="g-{state}" viewBox="0 0 24 16">{shape}</symbol>'
        for state, shape in _GLYPHS.items()
    ]
    for shown in ranges:
        for name, calendar in shading.values():
            windows = windows_between(calendar, now - shown.span_ns, now)
            path = bands(windows, shown, now)
            parts.append(f'<path id="{shaded(name, shown)}" class="q" d="{path}"/>')
    return f'<svg class="defs" aria-hidden="true"><defs>{"".join(parts)}</defs></svg>'


def shading(context: PageContext) -> dict[str, tuple[str, Calendar]]:
    """Schedules in use by name, each with a short name fit for an id."""
    calendars = context.calendars()
    return {name: (f"q{at}", calendars[name]) for at, name in enumerate(sorted(calendars))}


def shaded(name: str, shown: Range) -> str:
    """The id of a schedule's shading in a range."""
    return f"{name}-{shown.name}"


def glyph(state: str) -> str:
    """The state's shape; the word stands beside it."""
    return f'<svg class="glyph" aria-hidden="true"><use href="#g-{state}"/></svg>'


def legend(quiet: Mapping[str, tuple[str, Calendar]]) -> str:
    """What the shapes mean, and the time zone of each schedule."""
    entries = [
        ('<path class="t" d="M0 2h24v13H0z"/>', "spinning: active or idle"),
        (
            '<path class="t" d="M0 2h24v13H0z"/><path class="a" d="M0 9h24v6H0z"/>',
            "dark part: share of time active",
        ),
        ('<path class="z" d="M0 11h24v4H0z"/>', "asleep"),
        ('<path class="u" d="M0 2h24v13H0z"/>', "unknown"),
        ('<path class="n" d="M0 8h24"/>', "unobserved"),
        ('<path class="w" d="M5 15V9M12 15V5M19 15V1"/>', "spin-ups; longer: several at once"),
    ]
    entries += [
        (
            '<path class="q" d="M0 0h24v16H0z"/>',
            f"quiet hours {safe(name)}, {safe(calendar.schedule.zone)} time",
        )
        for name, (_, calendar) in quiet.items()
    ]
    return (
        '<ul class="key" aria-label="Legend">'
        + "".join(
            f'<li><svg viewBox="0 0 24 16" aria-hidden="true">{shape}</svg>{words}</li>'
            for shape, words in entries
        )
        + "</ul>"
    )


def footer(history: bool) -> str:
    """The other pages, and the version."""
    links = (
        ("/metrics", "metrics for Prometheus, as text or OpenMetrics"),
        ("/snapshot", "the present state and the findings, as JSON"),
        ("/history", "the recorded history, as JSON, CSV or OpenMetrics"),
        ("/runbooks/", "what each alert means, and what to do"),
        ("/-/healthy", "200 while the process runs"),
        ("/-/ready", "200 once there is a first snapshot"),
    )
    listed = "".join(
        f'<li><a href="{path}">{path}</a>: {what}</li>'
        for path, what in links
        if history or path != "/history"
    )
    return f"<footer><ul>{listed}</ul><p>Spinledger {safe(__version__)}</p></footer>"
