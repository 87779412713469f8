"""The landing page: links, and one line a disk. HTML, and the headers that guard it.

Rules of this room: no script, no outside asset, no form; every text from a disk is escaped. The
one style sheet is inline and admitted by its hash, so that the content policy can forbid all else.
"""

from __future__ import annotations

import base64
import hashlib
from datetime import UTC, datetime, timedelta
from html import escape

from spinledger import __version__
from spinledger.model import DiskView, Snapshot

_STYLE = """
:root { color-scheme: light dark; }
body { font: 1rem/1.5 system-ui, sans-serif; margin: 2rem auto; max-width: 70rem; padding: 0 1rem; }
table { border-collapse: collapse; }
caption { text-align: left; font-weight: bold; padding: .5rem 0; }
th, td { text-align: left; padding: .25rem 1rem .25rem 0; border-bottom: 1px solid; }
main > div { overflow-x: auto; }
"""

CONTENT_SECURITY_POLICY = (
    "default-src 'none'; style-src 'sha256-"
    + base64.b64encode(hashlib.sha256(_STYLE.encode()).digest()).decode()
    + "'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
"""Content Security Policy Level 3: nothing loads but the one style sheet, by its hash."""

_LINKS = (
    ("/metrics", "for Prometheus: text, or OpenMetrics if asked for"),
    ("/snapshot", "everything known now, with findings in sentences, as JSON"),
    ("/history", "the books, as JSON or CSV"),
    ("/-/healthy", "answers while the process runs"),
    ("/-/ready", "answers 200 once there is a reading"),
)


def landing(snapshot: Snapshot | None, history: bool) -> str:
    """The page, from one snapshot or from none yet; `history` says whether there is a /history."""
    links = "\n".join(
        f'<li><a href="{path}">{path}</a>: {what}</li>'
        for path, what in _LINKS
        if history or path != "/history"
    )
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Spinledger</title>
<style>{_STYLE}</style>
</head>
<body>
<main>
<h1>Spinledger</h1>
<p>The power state of this host's rotating disks. Version {escape(__version__)}.</p>
{_disks(snapshot)}
<h2>More</h2>
<ul>
{links}
</ul>
</main>
</body>
</html>
"""


def _disks(snapshot: Snapshot | None) -> str:
    if snapshot is None:
        return "<p>No reading yet.</p>"
    skipped = f"<p>Not watched: {len(snapshot.skipped)} block devices; /snapshot says why.</p>"
    after = skipped if snapshot.skipped else ""
    if not snapshot.disks:
        return f"<p>No rotating disk is watched.</p>{after}"
    head = "".join(
        f'<th scope="col">{title}</th>'
        for title in ("Disk", "Name", "Model", "State", "Since", "Findings")
    )
    rows = "\n".join(_row(view) for view in snapshot.disks)
    return f"""<div role="region" aria-label="Disks" tabindex="0">
<table>
<caption>Disks at {_time(snapshot.wall_ns)}</caption>
<thead><tr>{head}</tr></thead>
<tbody>
{rows}
</tbody>
</table>
</div>{after}"""


def _row(view: DiskView) -> str:
    state = view.state.value
    if view.condition is not None:
        state += f" ({view.condition.value})"
    if view.why:
        state += f": {view.why}"
    findings = ", ".join(finding.code for finding in view.findings) or "none"
    cells = (view.disk.kernel_name, view.disk.model, state, _time(view.since_wall_ns), findings)
    return (
        f'<tr><th scope="row">{_escape(view.disk.identity)}</th>'
        + "".join(f"<td>{_escape(cell)}</td>" for cell in cells)
        + "</tr>"
    )


def _escape(text: str) -> str:
    """HTML text; what cannot be written as UTF-8 becomes a question mark."""
    return escape(text).encode("utf-8", "replace").decode()


def _time(wall_ns: int) -> str:
    moment = datetime.fromtimestamp(0, UTC) + timedelta(microseconds=wall_ns // 1000)
    return f"{moment:%Y-%m-%d %H:%M:%S} UTC"
