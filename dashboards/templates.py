"""The two console templates that Prometheus serves by itself: all disks, and one.

Rules: no library, no script, no outside asset; every figure is a query that runs when the page is
opened. A template cannot count, so PromQL does: a bar's height is a query's value, and its place is
a label. A template knows no time zone but UTC, so times of day are UTC and say so. On a narrow
screen a row of a table is a block with a line for each column. Colours are those of the exporter's
page.
"""

from __future__ import annotations

from collections.abc import Mapping

from dashboards.panels import SENTENCES
from spinledger.web.html import safe
from spinledger.web.runbooks import OF_FINDING

STYLE = """
:root { color-scheme: light dark; --ground: #fff; --text: #1b1b1b; --soft: #595959;
 --line: #c9c9c9; --turn: #e69f00; --used: #d55e00; --rest: #0072b2; --bad: #a84600; }
@media (prefers-color-scheme: dark) { :root { --ground: #16181c; --text: #ececec;
 --soft: #b0b0b0; --line: #4a4d55; --rest: #56b4e9; --bad: #ff9a55; } }
* { box-sizing: border-box; }
body { font: 1rem/1.45 system-ui, sans-serif; margin: 0 auto; max-width: 84rem; padding: 1rem;
 color: var(--text); background: var(--ground); }
h1 { font-size: 1.3rem; margin: 0; } h2 { font-size: 1.1rem; margin: 1.6rem 0 .4rem; }
a { color: inherit; } .soft { color: var(--soft); }
.found { border-left: .35rem solid var(--used); padding: .3rem .8rem; margin: .5rem 0;
 overflow-wrap: anywhere; }
.bad { color: var(--bad); font-weight: 600; }
div[role=region] { overflow-x: auto; } table { border-collapse: collapse; font-size: .9rem; }
th, td { text-align: left; padding: .25rem 1rem .25rem 0; border-bottom: 1px solid var(--line);
 white-space: nowrap; } tbody th { font-weight: 400; }
td.num, th.num { text-align: right; }
svg.strip { display: block; width: 100%; height: 2.4rem; border-bottom: 1px solid var(--soft); }
.row { display: grid; grid-template-columns: 17rem minmax(0, 1fr); gap: 0 1rem; padding: .2rem 0;
 align-items: center; border-top: 1px solid var(--line); overflow-wrap: anywhere; }
.q { fill: var(--soft); }
.t { fill: var(--turn); stroke: var(--text); stroke-width: .6px; } .z { fill: var(--rest); }
.i { fill: var(--rest); } .r { fill: var(--line); }
svg.bar { width: 12rem; height: .8rem; }
.scale { display: flex; justify-content: space-between; font-size: .85rem; }
@media (max-width: 46rem) { .row { grid-template-columns: minmax(0, 1fr); }
 tbody th { white-space: normal; min-width: 9rem; } .one { width: 100%; }
 .one td { white-space: normal; }
 .wide, .wide tbody, .wide tr, .wide th, .wide td { display: block; white-space: normal; }
 .wide thead { display: none; } .wide tr { padding: .4rem 0; border-bottom: 1px solid var(--line); }
 .wide th, .wide td, .wide td.num { border: 0; padding: .1rem 0; text-align: left; }
 .wide td::before { content: attr(data-title) ": "; color: var(--soft); } }
@media print { :root { color-scheme: light; --ground: #fff; --text: #000; --soft: #444;
 --line: #999; --rest: #0072b2; --bad: #a84600; } * { print-color-adjust: exact; } }
"""

WIDE, TALL = 30, 24  # of one bar
LANE = 5  # below the bars' feet: asleep lies there, so that both show in one stretch
LOW = 4
QUIET = 3  # above the bars: a line where quiet hours were
SPINNING = 'state=~"active|idle"'
ASLEEP = 'state="standby"'


def hourly(chosen: str, hours: int, bars: int) -> str:
    """Bars of so many stretches: class as label `k`, place as label `x`, height as value.

    Spinning is as high as its share; asleep is flat, in its own lane, where it is more than half.
    A stretch of which nothing is recorded has no bar. Quiet hours are a line above, by the hour.
    """
    by = "sum by (job, instance, disk)"
    name = "on (job, instance, disk) group_left (model, serial) spinledger_disk_info"
    parts = []
    for at in range(bars):
        ago = (bars - 1 - at) * hours
        window = f"[{hours}h]" + (f" offset {ago}h" if ago else "")

        def recorded(state: str, window: str = window) -> str:
            counter = f"spinledger_disk_state_seconds_total{{{chosen}{state}}}"
            return f"{by} (increase({counter}{window}))"

        every = f"({recorded('')} > 0)"
        spinning = f"{TALL} * {recorded(SPINNING)} / {every} * {name} > 0"
        asleep = f"{LOW} * ({recorded(ASLEEP)} / {every} > bool 0.5) * {name} > 0"
        active = f"avg_over_time(spinledger_disk_quiet_active{{{chosen.rstrip(',')}}}{window})"
        quiet = f"{QUIET} * ({active} > bool 0.5) * {name} > 0"
        drawn = {"z": asleep, "t": spinning} | ({"q": quiet} if hours == 1 else {})
        for kind, bar in drawn.items():
            placed = f'label_replace({bar}, "x", "{at * WIDE:04}", "", "")'
            parts.append(f'label_replace({placed}, "k", "{kind}", "", "")')
    return " or ".join(parts)


def ordered(expr: str, label: str, forms: Mapping[str, str]) -> str:
    """With a label `order` made of another's forms: a template sorts by letters alone."""
    for pattern, order in forms.items():
        expr = f'label_replace({expr}, "order", "{order}", "{label}", "{pattern}")'
    return expr


def head(title: str) -> str:
    """The page's beginning."""
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{title}</title>
<style>{STYLE}</style>
</head>
<body>
<main>
"""


def strip(words: str, bars: int) -> str:
    """The beginning of a strip of so many bars, which stand on the lane of sleep."""
    tall = LANE + TALL + QUIET + 3
    return (
        f'<svg class="strip" viewBox="0 0 {bars * WIDE} {tall}" preserveAspectRatio="none"'
        f' role="img" aria-label="{words}"><g transform="translate(0 {tall - LANE}) scale(1 -1)">'
    )


BAR = (
    '<rect class="{{ .Labels.k }}" x="{{ .Labels.x }}"'
    f' width="{WIDE}" height="{{{{ .Value }}}}"'
    f'{{{{ if eq .Labels.k "z" }}}} transform="translate(0 -{LANE})"{{{{ end }}}}'
    f'{{{{ if eq .Labels.k "q" }}}} transform="translate(0 {TALL + 2})"{{{{ end }}}}/>'
)
LEGEND = (
    '<p class="soft">Orange: share of the time spinning. Blue line below: asleep for most of the '
    "time. Grey line above: quiet hours. Empty: unknown or unobserved.</p>\n"
)


def clock(ago_s: int) -> str:
    """A time of day so long ago, in UTC."""
    moment = f"query `vector(time() - {ago_s})` | first | value | toTime"
    return f'{{{{ ({moment}).Format "15:04" }}}}'


def runbook(names: str) -> str:
    """A link to a runbook on the exporter."""
    return f'<a href="http://{{{{ .Labels.instance }}}}/runbooks/{names}">runbook</a>'


SENTENCE = (
    "".join(
        f'{{{{ {"else " * (at > 0)}if eq .Labels.code "{code}" }}}}<strong>{safe(text)}</strong>'
        for at, (code, text) in enumerate(SENTENCES.items())
    )
    + "{{ else }}<strong>{{ .Labels.code }}</strong>{{ end }}"
)
"""A finding in words."""

GUIDE = (
    "".join(
        f'{{{{ {"else " * (at > 0)}if eq .Labels.code "{code}" }}}}; {runbook(name)}'
        for at, (code, name) in enumerate(OF_FINDING.items())
    )
    + "{{ end }}"
)
"""The runbook of a finding, where it has one."""

OURS = 'alertname=~"Disk.*|Spinledger.*",alertstate="firing",severity!="none"'

STATE = (
    '{{ with .Labels.spinledger_disk_power_state }}{{ if eq . "standby" }}asleep'
    "{{ else }}{{ . }}"
    "{{ end }}{{ end }}"
)
KIND = (
    '{{ if eq .Labels.kind "load" }}Head loads{{ else if eq .Labels.kind "start_stop" }}'
    "Spindle starts{{ else }}{{ .Labels.kind }}{{ end }}"
)
NUMBERS = ' class="num"'
VALUE = ". | first | value"
PERCENT = ' | printf "%.0f %%"'


LINK = "spinledger-disk.html?instance={{ .Labels.instance }}&amp;disk={{ .Labels.disk }}"


def firing_and_findings(firing: str, found: str, args: str) -> str:
    """Alerts and findings; `args` are those of both queries, and empty on the page of all disks."""

    def rows(expr: str) -> str:
        return f"query (printf `{expr}` {args})" if args else f"query `{expr}`"

    about = (
        "{{ if .Labels.model }} {{ .Labels.model }} {{ .Labels.serial }}"
        "{{ else if .Labels.wake_group }} {{ .Labels.wake_group }}{{ end }}"
    )
    host = "" if args else " {{ .Labels.instance }}"
    disk = (
        "" if args else f': <a href="{LINK}">{{{{ .Labels.model }}}} {{{{ .Labels.serial }}}}</a>'
    )
    return f"""{{{{ $firing := {rows(firing)} }}}}
{{{{ range $firing | sortByLabel "alertname" }}}}
<p class="found">Alert <strong>{{{{ .Labels.alertname }}}}</strong>:{host}{about}; \
{runbook("{{ .Labels.alertname }}")}</p>
{{{{ else }}}}
<p class="soft">No alert is firing.</p>
{{{{ end }}}}
<h2>Findings</h2>
<p class="soft">A disk's page on the exporter has all of its findings, with what to do.</p>
{{{{ range {rows(found)} | sortByLabel "disk" | sortByLabel "code" }}}}
<p class="found">{SENTENCE}{disk}{GUIDE}</p>
{{{{ else }}}}
<p class="soft">{{{{ if $firing }}}}No finding holds now. An alert above that is about a disk ends \
soon.{{{{ else }}}}No finding holds now.{{{{ end }}}}</p>
{{{{ end }}}}"""


def all_disks() -> str:
    """Every disk of every host that this Prometheus scrapes."""
    query = hourly("", 1, 24)

    def cell(title: str, expr: str, shown: str = "", marked: bool = False) -> str:
        rows = f"query (printf `{expr}` .Labels.instance .Labels.disk)"
        over = "{{ if ge $is 100.0 }}%s{{ end }}" if marked else ""
        place = f'role="cell" data-title="{title}"'
        return (
            f"{{{{ with {rows} }}}}{{{{ $is := . | first | value }}}}"
            f'<td class="num{over.replace("%s", " bad")}" {place}>{over.replace("%s", "! ")}'
            f"{{{{ $is{shown} }}}}</td>{{{{ else }}}}"
            f'<td class="num" {place}>unknown</td>{{{{ end }}}}'
        )

    chosen = "{instance=%q,disk=%q"
    cells = "".join(
        (
            cell("Spin-ups, last day", f'spinledger_disk_recent_cycles{chosen},window="1d"}}'),
            cell("Budget", f"spinledger_disk_cycle_budget_per_day{chosen}}}"),
            cell(
                "Limit used",
                f"100 * max(spinledger_disk_cycle_limit_used_ratio{chosen}}})",
                PERCENT,
                marked=True,
            ),
            cell(
                "Life used",
                f"100 * max(spinledger_disk_rated_life_used_ratio{chosen}}})",
                PERCENT,
                marked=True,
            ),
        )
    )
    titles = (
        "Disk",
        "Now",
        "Spin-ups, last day",
        "Budget",
        "Limit used",
        "Life used",
        "Pool",
        "Host",
    )
    columns = "".join(
        f'<th role="columnheader" scope="col"{NUMBERS if 2 <= at < 6 else ""}>{title}</th>'
        for at, title in enumerate(titles)
    )
    state = (
        "{{ range query (printf `spinledger_disk_power_state{instance=%q,disk=%q} == 1`"
        f" .Labels.instance .Labels.disk) }}}}{STATE}{{{{ end }}}}"
    )
    return f"""{head("Spinledger: disks")}<h1>{{{{ with query "count(spinledger_disk_info)" }}}}\
{{{{ . | first | value }}}} disks, \
{{{{ query `sum(spinledger_disk_power_state{{spinledger_disk_power_state="standby"}})` \
| first | value }}}} asleep{{{{ else }}}}No disk is watched{{{{ end }}}}</h1>
{firing_and_findings(f"ALERTS{{{OURS}}}", "spinledger_disk_finding == 1", "")}
<h2>The last 24 hours</h2>
{LEGEND}<div class="row"><span></span><div class="scale soft"><span>{clock(86400)} UTC</span>\
<span>{clock(43200)} UTC</span><span>now, {clock(0)} UTC</span></div></div>
{{{{ $last := "" }}}}
{{{{ range query `{query}` | sortByLabel "x" | sortByLabel "disk" | sortByLabel "instance" }}}}
{{{{ $this := printf "%s %s" .Labels.instance .Labels.disk }}}}
{{{{ if ne $this $last }}}}
{{{{ if ne $last "" }}}}</g></svg></div>{{{{ end }}}}
<div class="row"><a href="{LINK}">{{{{ .Labels.model }}}} {{{{ .Labels.serial }}}}</a>
{strip("Share of time spinning, by hour, {{ .Labels.model }} {{ .Labels.serial }}", 24)}
{{{{ $last = $this }}}}
{{{{ end }}}}
{BAR}
{{{{ end }}}}
{{{{ if ne $last "" }}}}</g></svg></div>{{{{ else }}}}\
<p>Nothing is recorded so far.</p>{{{{ end }}}}
<h2>Disks</h2>
<p class="soft">Limit used: spin-ups as a share of the limit, in the window with the highest \
share; ! marks a disk over a limit. Life used: the drive's own counters as a share of their \
rating.</p>
<div role="region" aria-label="Disks" tabindex="0"><table class="wide" role="table">
<thead role="rowgroup"><tr role="row">{columns}</tr></thead>
<tbody role="rowgroup">
{{{{ range query "spinledger_disk_info" | sortByLabel "disk" | sortByLabel "pool" \
| sortByLabel "instance" }}}}
<tr role="row"><th role="rowheader" scope="row"><a href="{LINK}">{{{{ .Labels.model }}}} \
{{{{ .Labels.serial }}}}</a></th>\
<td role="cell" data-title="Now">{state}</td>{cells}\
<td role="cell" data-title="Pool">{{{{ or .Labels.pool "none" }}}}</td>\
<td role="cell" data-title="Host">{{{{ .Labels.instance }}}}</td></tr>
{{{{ else }}}}
<tr role="row"><td role="cell" colspan="{len(titles)}" data-title="Disks">None is watched.</td></tr>
{{{{ end }}}}
</tbody></table></div>
</main>
</body>
</html>
"""


def one_disk() -> str:
    """One disk, named by the address: ?instance=HOST:PORT&disk=ID."""
    chosen = "instance=%[1]q,disk=%[2]q"  # indexed, since some queries name the disk twice
    args = ".Params.instance .Params.disk"

    def figure(title: str, expr: str, shown: str, missing: str = "unknown", bad: str = "") -> str:
        marked = (
            f'{{{{ if query (printf `{bad}` {args}) }}}}<span class="bad">! </span>{{{{ end }}}}'
        )
        return (
            f'<tr><th scope="row">{title}</th><td class="num">{marked if bad else ""}'
            f"{{{{ with query (printf `{expr}` {args}) }}}}{{{{ {shown} }}}}"
            f"{{{{ else }}}}{missing}{{{{ end }}}}</td></tr>\n"
        )

    def several(title: str, name: str, expr: str, shown: str, marked: bool = False) -> str:
        over = '{{ if ge .Value 100.0 }}<span class="bad">! </span>{{ end }}' if marked else ""
        return (
            f'<tr><th scope="rowgroup" colspan="2"><strong>{title}</strong></th></tr>\n'
            f'{{{{ range query (printf `{expr}` {args}) | sortByLabel "order" }}}}'
            f'<tr><th scope="row">{name}</th>'
            f'<td class="num">{over}{{{{ .Value{shown} }}}}</td></tr>\n'
            '{{ else }}<tr><td colspan="2">unknown</td></tr>{{ end }}\n'
        )

    def strips(title: str, hours: int, bars: int) -> str:
        query = hourly(chosen + ",", hours, bars)
        days = hours * bars // 24
        if days > 1:
            scale = f"<span>{days} days ago</span><span>now</span>"
        else:
            scale = f"<span>{clock(86400)} UTC</span><span>{clock(43200)} UTC</span>"
            scale += f"<span>now, {clock(0)} UTC</span>"
        return (
            f'<h2>{title}</h2>\n<div class="scale soft">{scale}</div>'
            f"\n{strip('Share of time spinning, ' + title.lower(), bars)}"
            f'{{{{ range query (printf `{query}` {args}) | sortByLabel "x" }}}}{BAR}{{{{ end }}}}'
            "</g></svg>\n"
        )

    firing = (
        f'ALERTS{{alertstate="firing",{chosen}}} or '
        'ALERTS{alertstate="firing",instance=%[1]q,disk="",wake_group!=""}'
        f" and on (job, instance, wake_group) spinledger_disk_info{{{chosen}}}"
    )
    info = f"printf `spinledger_disk_info{{{chosen}}}` {args}"
    quiet = "spinledger_disk_quiet_window_"
    seconds = f"spinledger_disk_state_seconds_total{{{chosen}"
    joules = f"spinledger_disk_energy_joules_total{{{chosen}}}"
    figures = "".join(
        (
            figure(
                "Spin-ups of the last day",
                f'spinledger_disk_recent_cycles{{{chosen},window="1d"}}',
                VALUE,
            ),
            figure("Daily budget", f"spinledger_disk_cycle_budget_per_day{{{chosen}}}", VALUE),
            figure(
                "Asleep in the last day",
                f'100 * sum(increase({seconds},state="standby"}}[1d])) / sum(increase('
                + seconds
                + "}[1d]))",
                VALUE + PERCENT,
            ),
            figure(
                "Asleep in the last quiet hours",
                f"100 * {quiet}asleep_ratio{{{chosen}}}",
                VALUE + PERCENT,
                "none are complete",
                f"{quiet}asleep_ratio{{{chosen}}} < {quiet}asleep_min_ratio{{{chosen}}}",
            ),
            figure(
                "At least, as configured",
                f"100 * {quiet}asleep_min_ratio{{{chosen}}}",
                VALUE + PERCENT,
                "no quiet hours",
            ),
            figure(
                "The last quiet hours ended",
                f"{quiet}end_timestamp_seconds{{{chosen}}}",
                f'({VALUE} | toTime).Format "Mon 2 Jan 15:04 UTC"',
                "none are complete",
            ),
            figure(
                "In quiet hours now",
                f"spinledger_disk_quiet_active{{{chosen}}}",
                f"if eq ({VALUE}) 1.0 }}}}yes{{{{ else }}}}no{{{{ end",
                "no quiet hours",
            ),
            figure(
                "Declared standby timer",
                f"spinledger_disk_declared_standby_seconds{{{chosen}}}",
                VALUE + " | humanizeDuration",
                "none is declared",
            ),
            figure(
                "Energy of the last day, kWh",
                f"sum(increase({joules}[1d])) / 3.6e6",
                VALUE + ' | printf "%.3f"',
            ),
        )
    )
    tables = "".join(
        (
            several(
                "Limit used, by window",
                "{{ .Labels.window }}",
                ordered(
                    f"100 * spinledger_disk_cycle_limit_used_ratio{{{chosen}}}",
                    "window",
                    {"([0-9]+h)": "0$1", "([0-9]d)": "10$1", "([0-9][0-9]d)": "1$1"},
                ),
                PERCENT,
                marked=True,
            ),
            several(
                "Rated life used",
                KIND,
                f"100 * spinledger_disk_rated_life_used_ratio{{{chosen}}}",
                PERCENT,
                marked=True,
            ),
            several(
                "Spin-ups a day with other timers, over the last week",
                "{{ .Labels.standby_seconds | humanizeDuration }}",
                ordered(
                    f"rate(spinledger_disk_whatif_cycles_total{{{chosen}}}[7d]) * 86400",
                    "standby_seconds",
                    {"(...)": "00$1", "(....)": "0$1", "(.....)": "$1"},
                ),
                ' | printf "%.1f"',
            ),
        )
    )
    return f"""{head("Spinledger: one disk")}<p><a href="spinledger.html">All disks</a></p>
{{{{ range query ({info}) }}}}
<h1>{{{{ .Labels.model }}}} {{{{ .Labels.serial }}}}</h1>
<p class="soft">{{{{ .Labels.disk }}}}, {{{{ .Labels.kernel_name }}}} on \
{{{{ .Labels.instance }}}}; pool {{{{ .Labels.pool }}}}; {{{{ .Labels.transport }}}}; watch: \
{{{{ .Labels.watch }}}}. \
<a href="http://{{{{ .Labels.instance }}}}/disk/{{{{ .Labels.disk }}}}">\
Its page on the exporter</a></p>
{{{{ else }}}}
<h1>No such disk is watched</h1>
<p>Choose one on the page of all disks.</p>
{{{{ end }}}}
{{{{ if query ({info}) }}}}
{firing_and_findings(firing, f"spinledger_disk_finding{{{chosen}}} == 1", args)}
{strips("The last 24 hours", 1, 24)}{strips("The last 30 days", 24, 30)}{LEGEND}
<h2>Figures</h2>
<div role="region" aria-label="Figures" tabindex="0"><table class="one">
<tbody>
{figures}{tables}</tbody></table></div>
{{{{ end }}}}
</main>
</body>
</html>
"""


CONSOLES = {"spinledger.html": all_disks, "spinledger-disk.html": one_disk}
"""By file name."""
