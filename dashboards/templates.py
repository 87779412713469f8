"""The two console templates that Prometheus serves by itself: all disks, and one.

Rules: no library, no script, no outside asset; every figure is a query that runs when the page is
opened. A template cannot count, so PromQL does: a bar's height is a query's value, and its place is
a label. Times are hours before now, so that no time zone is needed. Colours are those of the
exporter's page.
"""

from __future__ import annotations

from collections.abc import Mapping

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
.found { border-left: .35rem solid var(--used); padding: .3rem .8rem; margin: .5rem 0; }
.bad { color: var(--bad); font-weight: 600; }
div[role=region] { overflow-x: auto; } table { border-collapse: collapse; font-size: .9rem; }
th, td { text-align: left; padding: .25rem 1rem .25rem 0; border-bottom: 1px solid var(--line);
 white-space: nowrap; } tbody th { font-weight: 400; }
td.num, th.num { text-align: right; }
svg.strip { display: block; width: 100%; height: 2.4rem; border-bottom: 1px solid var(--soft); }
.row { display: grid; grid-template-columns: 17rem minmax(0, 1fr); gap: 0 1rem; padding: .2rem 0;
 align-items: center; border-top: 1px solid var(--line); overflow-wrap: anywhere; }
.t { fill: var(--turn); stroke: var(--text); stroke-width: .6px; } .z { fill: var(--rest); }
.i { fill: var(--rest); } .r { fill: var(--line); }
svg.bar { width: 12rem; height: .8rem; }
.scale { display: flex; justify-content: space-between; font-size: .85rem; }
@media (max-width: 46rem) { .row { grid-template-columns: minmax(0, 1fr); }
 tbody th { white-space: normal; min-width: 9rem; } .one { width: 100%; } }
@media print { :root { color-scheme: light; --ground: #fff; --text: #000; --soft: #444;
 --line: #999; --rest: #0072b2; --bad: #a84600; } * { print-color-adjust: exact; } }
"""

WIDE, TALL = 30, 24  # of one bar
LANE = 5  # below the bars' feet: asleep lies there, so that both show in one stretch
LOW = 4
SPINNING = 'state=~"active|idle"'
ASLEEP = 'state="standby"'


def hourly(chosen: str, hours: int, bars: int) -> str:
    """Bars of so many stretches: class as label `k`, place as label `x`, height as value.

    Spinning is as high as its share; asleep is flat, in its own lane, where it is more than half.
    A stretch of which nothing is recorded has no bar.
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
        for kind, bar in (("z", asleep), ("t", spinning)):
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
    tall = LANE + TALL + 2
    return (
        f'<svg class="strip" viewBox="0 0 {bars * WIDE} {tall}" preserveAspectRatio="none"'
        f' role="img" aria-label="{words}"><g transform="translate(0 {tall - LANE}) scale(1 -1)">'
    )


BAR = (
    '<rect class="{{ .Labels.k }}" x="{{ .Labels.x }}"'
    f' width="{WIDE}" height="{{{{ .Value }}}}"'
    f'{{{{ if eq .Labels.k "z" }}}} transform="translate(0 -{LANE})"{{{{ end }}}}/>'
)
LEGEND = (
    '<p class="soft">Orange: share of the time spinning. Blue line below: asleep for most of the '
    "time. Empty: unknown or unobserved.</p>\n"
)
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
PERCENT = ' | printf "%.0f %%"'


def all_disks() -> str:
    """Every disk of every host that this Prometheus scrapes."""
    query = hourly("", 1, 24)

    def cell(expr: str, shown: str, missing: str = "unknown") -> str:
        rows = f"query (printf `{expr}` .Labels.instance .Labels.disk)"
        return (
            f'<td class="num">{{{{ with {rows} }}}}{{{{ . | first | value{shown} }}}}'
            f"{{{{ else }}}}{missing}{{{{ end }}}}</td>"
        )

    chosen = "{instance=%q,disk=%q"
    cells = "".join(
        (
            cell(f'spinledger_disk_recent_cycles{chosen},window="1d"}}', ""),
            cell(f"spinledger_disk_cycle_budget_per_day{chosen}}}", ""),
            cell(
                f"100 * max(spinledger_disk_cycle_limit_used_ratio{chosen}}})",
                PERCENT,
            ),
            cell(f"100 * max(spinledger_disk_rated_life_used_ratio{chosen}}})", PERCENT),
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
        f'<th scope="col"{NUMBERS if 2 <= at < 6 else ""}>{title}</th>'
        for at, title in enumerate(titles)
    )
    link = "spinledger-disk.html?instance={{ .Labels.instance }}&amp;disk={{ .Labels.disk }}"
    state = (
        "{{ range query (printf `spinledger_disk_power_state{instance=%q,disk=%q} == 1`"
        f" .Labels.instance .Labels.disk) }}}}{STATE}{{{{ end }}}}"
    )
    return f"""{head("Spinledger: disks")}<h1>{{{{ with query "count(spinledger_disk_info)" }}}}\
{{{{ . | first | value }}}} disks, \
{{{{ query `sum(spinledger_disk_power_state{{spinledger_disk_power_state="standby"}})` \
| first | value }}}} asleep{{{{ else }}}}No disk is watched{{{{ end }}}}</h1>
{{{{ range query `ALERTS{{alertname=~"Disk.*|Spinledger.*",alertstate="firing"}}` }}}}
<p class="found"><strong>{{{{ .Labels.alertname }}}}</strong> {{{{ .Labels.instance }}}} \
{{{{ with .Labels.disk }}}}{{{{ . }}}}{{{{ else }}}}{{{{ .Labels.wake_group }}}}{{{{ end }}}}</p>
{{{{ else }}}}
<p class="soft">No alert is firing.</p>
{{{{ end }}}}
<h2>The last 24 hours</h2>
{LEGEND}<div class="row"><span></span><div class="scale soft"><span>24 h ago</span>\
<span>12 h ago</span><span>now</span></div></div>
{{{{ $last := "" }}}}
{{{{ range query `{query}` | sortByLabel "x" | sortByLabel "disk" | sortByLabel "instance" }}}}
{{{{ $this := printf "%s %s" .Labels.instance .Labels.disk }}}}
{{{{ if ne $this $last }}}}
{{{{ if ne $last "" }}}}</g></svg></div>{{{{ end }}}}
<div class="row"><a href="{link}">{{{{ .Labels.model }}}} {{{{ .Labels.serial }}}}</a>
{strip("Share of time spinning, by hour, {{ .Labels.model }} {{ .Labels.serial }}", 24)}
{{{{ $last = $this }}}}
{{{{ end }}}}
{BAR}
{{{{ end }}}}
{{{{ if ne $last "" }}}}</g></svg></div>{{{{ else }}}}\
<p>Nothing is recorded so far.</p>{{{{ end }}}}
<h2>Disks</h2>
<p class="soft">Life used: the drive's own counters as a share of their rating.</p>
<div role="region" aria-label="Disks" tabindex="0"><table>
<thead><tr>{columns}</tr></thead>
<tbody>
{{{{ range query "spinledger_disk_info" | sortByLabel "disk" | sortByLabel "pool" \
| sortByLabel "instance" }}}}
<tr><th scope="row"><a href="{link}">{{{{ .Labels.model }}}} {{{{ .Labels.serial }}}}</a></th>\
<td>{state}</td>{cells}<td>{{{{ .Labels.pool }}}}</td><td>{{{{ .Labels.instance }}}}</td></tr>
{{{{ else }}}}
<tr><td colspan="{len(titles)}">No disk is watched.</td></tr>
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

    def figure(title: str, expr: str, shown: str) -> str:
        return (
            f'<tr><th scope="row">{title}</th><td class="num">'
            f"{{{{ with query (printf `{expr}` {args}) }}}}{{{{ . | first | value{shown} }}}}"
            "{{ else }}unknown{{ end }}</td></tr>\n"
        )

    def several(title: str, name: str, expr: str, shown: str = "", empty: str = "unknown") -> str:
        return (
            f'<tr><th scope="rowgroup" colspan="2"><strong>{title}</strong></th></tr>\n'
            f'{{{{ range query (printf `{expr}` {args}) | sortByLabel "order" }}}}'
            f'<tr><th scope="row">{name}</th>'
            f'<td class="num">{{{{ .Value{shown} }}}}</td></tr>\n'
            f'{{{{ else }}}}<tr><td colspan="2">{empty}</td></tr>{{{{ end }}}}\n'
        )

    def strips(title: str, hours: int, bars: int) -> str:
        query = hourly(chosen + ",", hours, bars)
        days = hours * bars // 24
        since = f"{days} days ago" if days > 1 else "24 h ago"
        return (
            f'<h2>{title}</h2>\n<div class="scale soft"><span>{since}</span><span>now</span></div>'
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
    seconds = f"spinledger_disk_state_seconds_total{{{chosen}"
    joules = f"spinledger_disk_energy_joules_total{{{chosen}}}"
    figures = "".join(
        (
            figure(
                "Spin-ups of the last day",
                f'spinledger_disk_recent_cycles{{{chosen},window="1d"}}',
                "",
            ),
            figure("Daily budget", f"spinledger_disk_cycle_budget_per_day{{{chosen}}}", ""),
            figure(
                "Asleep in the last day",
                f'100 * sum(increase({seconds},state="standby"}}[1d])) / sum(increase('
                + seconds
                + "}[1d]))",
                PERCENT,
            ),
            figure(
                "Asleep in the last quiet window",
                f"100 * spinledger_disk_quiet_window_asleep_ratio{{{chosen}}}",
                PERCENT,
            ),
            figure(
                "Declared standby timer",
                f"spinledger_disk_declared_standby_seconds{{{chosen}}}",
                " | humanizeDuration",
            ),
            figure(
                "Energy of the last day, kWh",
                f"sum(increase({joules}[1d])) / 3.6e6",
                ' | printf "%.3f"',
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
            ),
            several(
                "Rated life used",
                KIND,
                f"100 * spinledger_disk_rated_life_used_ratio{{{chosen}}}",
                PERCENT,
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
            several(
                "Findings",
                "{{ .Labels.code }}",
                f"spinledger_disk_finding{{{chosen}}} == 1",
                empty="none",
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
{{{{ range query (printf `{firing}` {args}) }}}}
<p class="found"><strong>{{{{ .Labels.alertname }}}}</strong>: \
<a href="http://{{{{ .Labels.instance }}}}/runbooks/{{{{ .Labels.alertname }}}}">runbook</a></p>
{{{{ end }}}}
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
