"""The parts that dashboards are made of, over a typed builder of their JSON.

Rules: every panel has a description, a unit and a text for no data; a series is named by model and
serial, joined from spinledger_disk_info on (job, instance, disk). Counters are read by increase()
or rate(), so that a spin-up between two scrapes counts. A choice of pools narrows the list of
disks, and queries select the disks chosen. Where a graph reads what a backfilled month has once an
hour, its text for no data says so. Colours are those of the exporter's page.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from grafana_foundation_sdk.builders import (
    bargauge,
    dashboard,
    prometheus,
    stat,
    statetimeline,
    table,
    timeseries,
)
from grafana_foundation_sdk.builders import common as common_builders
from grafana_foundation_sdk.models import common
from grafana_foundation_sdk.models import dashboard as model
from grafana_foundation_sdk.models.prometheus import PromQueryFormat

from spinledger.findings.texts import POOL_TABLE, TABLE
from spinledger.metrics.catalogue import DISK_ROWS
from spinledger.sim.backfill import EVERY_STEP

SOURCE = common.DataSourceRef(type_val="prometheus", uid="${datasource}")
HERE = 'job=~"$job",instance=~"$instance"'
CHOSEN = f'{HERE},disk=~"$disk"'
INFO = "spinledger_disk_info"
JOIN = "* on (job, instance, disk) group_left (model, serial)"
DISK = "sum by (job, instance, disk)"
MOST = "max by (job, instance, disk)"
NAME = "{{model}} {{serial}}"

# Okabe and Ito's palette, as in the exporter's pages.
SPINNING, ACTIVE, ASLEEP, UNKNOWN, UNOBSERVED = (
    "#e69f00",
    "#d55e00",
    "#0072b2",
    "#cc79a7",
    "#999999",
)
QUIET = "#56b4e9"
STATES = {
    "active": ACTIVE,
    "idle": SPINNING,
    "standby": ASLEEP,
    "unknown": UNKNOWN,
    "unobserved": UNOBSERVED,
}

Builders = stat.Panel | timeseries.Panel | statetimeline.Panel | table.Panel | bargauge.Panel


@dataclass(frozen=True, slots=True)
class Query:
    """One query; `instant` for the figures of now."""

    expr: str
    legend: str = NAME
    instant: bool = False
    table: bool = False


@dataclass(frozen=True, slots=True)
class Frame:
    """What every panel has: its texts, its unit, and how wide (of 24) and tall it is."""

    title: str
    description: str
    unit: str
    empty: str
    width: int = 12
    height: int = 8


def of(metric: str, more: str = "") -> str:
    """A metric of the chosen disks."""
    return f"{metric}{{{CHOSEN}{',' if more else ''}{more}}}"


def named(expr: str) -> str:
    """With model and serial."""
    return f"({expr}) {JOIN} {of(INFO)}"


SPANS = (("Day", "1d"), ("7 days", "7d"), ("30 days", "30d"))


def who_wakes(span: str, by: str) -> str:
    """Spin-ups in a time by actor and more labels, most first; whole ones, and none of zero."""
    wakes = of("spinledger_disk_actor_wakes_total")
    joined = f"{JOIN.replace('model, serial', 'wake_group')} {of(INFO)}"
    return f"sort_desc(round(sum by ({by}) (increase({wakes}[{span}]) {joined})) > 0)"


def target(query: Query, ref: str) -> prometheus.Dataquery:
    """A query for the builder."""
    made = prometheus.Dataquery().expr(query.expr).legend_format(query.legend).ref_id(ref)
    made = made.datasource(SOURCE)
    if query.table:
        return made.instant().format(PromQueryFormat.TABLE)
    return made.instant() if query.instant else made.range()


HOURLY = "; or this part was backfilled, which has this figure once an hour"
DISK_METRICS = frozenset(row.name for row in DISK_ROWS)
EACH_STEP = frozenset(row.name for row in DISK_ROWS if row.key in EVERY_STEP)
LONG = re.compile(r"\[(?:\$__range|[0-9]+d)\]")  # a window that holds some of the hourly values


def empty(frame: Frame, queries: Sequence[Query]) -> str:
    """The text for no data."""
    graphs = " ".join(one.expr for one in queries if not (one.instant or one.table))
    read = set(re.findall(r"spinledger_disk_\w+", "" if LONG.search(graphs) else graphs))
    return frame.empty + (HOURLY if read & DISK_METRICS - EACH_STEP else "")


def dress(panel: Builders, frame: Frame, queries: Sequence[Query]) -> Builders:
    """Give a panel its texts and its queries."""
    panel.title(frame.title).description(frame.description).unit(frame.unit)
    panel.no_value(empty(frame, queries)).datasource(SOURCE).span(frame.width).height(frame.height)
    for at, query in enumerate(queries):
        panel.with_target(target(query, chr(ord("A") + at)))
    return panel


def figure(frame: Frame, expr: str, warn_from: float | None = None) -> Builders:
    """One number."""
    panel = stat.Panel().graph_mode(common.BigValueGraphMode.NONE)
    if warn_from is not None:
        panel = panel.thresholds(steps((None, ASLEEP), (warn_from, ACTIVE)))
    else:
        panel = panel.thresholds(steps((None, ASLEEP)))
    return dress(panel, frame, [Query(expr, "", instant=True)])


def steps(*edges: tuple[float | None, str]) -> dashboard.ThresholdsConfig:
    """Colours by value."""
    return (
        dashboard.ThresholdsConfig()
        .mode(model.ThresholdsMode.ABSOLUTE)
        .steps([model.Threshold(value=value, color=color) for value, color in edges])
    )


def lines(frame: Frame, *queries: Query) -> Builders:
    """Lines over time."""
    panel = timeseries.Panel().line_width(1).fill_opacity(0).span_nulls(False)
    panel = panel.legend(
        common_builders.VizLegendOptions()
        .display_mode(common.LegendDisplayMode.LIST)
        .placement(common.LegendPlacement.BOTTOM)
        .show_legend(True)
    )
    return dress(panel, frame, queries)


def stacked(frame: Frame, *queries: Query, colors: dict[str, str] | None = None) -> Builders:
    """Bars upon each other."""
    panel = (
        timeseries.Panel()
        .draw_style(common.GraphDrawStyle.BARS)
        .fill_opacity(90)
        .line_width(0)
        .stacking(common_builders.StackingConfig().mode(common.StackingMode.NORMAL))
    )
    for name, color in (colors or {}).items():
        panel = panel.override_by_name(
            name,
            [model.DynamicConfigValue("color", {"mode": "fixed", "fixedColor": color})],
        )
    return dress(panel, frame, queries)


def strips(frame: Frame, query: Query, *colors: tuple[float | None, str]) -> Builders:
    """One row a disk: the share of each interval that it was spinning, unless colours are given."""
    panel = (
        statetimeline.Panel()
        .merge_values(False)
        .show_value(common.VisibilityMode.NEVER)
        .row_height(0.8)
        .min(0)
        .max(1)
        .thresholds(steps(*(colors or ((None, ASLEEP), (0.05, SPINNING), (0.95, ACTIVE)))))
        .color_scheme(dashboard.FieldColor().mode(model.FieldColorModeId.THRESHOLDS))
        .interval("5m")
    )
    return dress(panel, frame, [query])


def bars(frame: Frame, query: Query) -> Builders:
    """One bar a series, now."""
    panel = (
        bargauge.Panel()
        .orientation(common.VizOrientation.HORIZONTAL)
        .display_mode(common.BarGaugeDisplayMode.BASIC)
        .min(0)
        .thresholds(steps((None, ASLEEP)))
    )
    return dress(panel, frame, [query])


SENTENCES = {row.code: row.words.sentence for row in TABLE}
SENTENCES |= {row.code: row.words.sentence for row in POOL_TABLE}
IN_WORDS = [
    {"type": "value", "options": {code: {"text": text} for code, text in SENTENCES.items()}}
]
"""A finding's code is shown as its sentence."""


def grid(frame: Frame, links: bool, *columns: tuple[str, str, Query]) -> Builders:
    """A table, one row a disk; each query is a column with a title and a unit."""
    hidden = ("Time", "__name__", "job")
    panel = table.Panel().show_header(True)
    for at, (title, unit, _) in enumerate(columns):
        panel = panel.override_by_name(
            f"Value #{chr(ord('A') + at)}",
            [
                model.DynamicConfigValue("displayName", title),
                model.DynamicConfigValue("unit", unit),
            ],
        )
    if links:
        host, disk = "${__data.fields.instance}", "${__value.text}"
        kept = "${datasource:queryparam}&${job:queryparam}"
        places = {
            "This disk": f"/d/spinledger-disk?{kept}&var-instance={host}&var-disk={disk}",
            "Its page on the exporter": f"http://{host}/disk/{disk}",
            "Runbooks": f"http://{host}/runbooks/",
        }
        listed = [{"title": title, "url": url} for title, url in places.items()]
        panel = panel.override_by_name("disk", [model.DynamicConfigValue("links", listed)])
    panel = panel.override_by_name("code", [model.DynamicConfigValue("mappings", IN_WORDS)])
    panel = panel.with_transformation(model.DataTransformerConfig(id_val="merge", options={}))
    panel = panel.with_transformation(
        model.DataTransformerConfig(
            id_val="organize",
            options={
                "excludeByName": dict.fromkeys(hidden, True),
                "indexByName": {},
                "renameByName": {},
            },
        )
    )
    return dress(panel, frame, [query for _, _, query in columns])


def variable(name: str, label: str, query: str, many: bool) -> dashboard.QueryVariable:
    """A choice read from a label, or from the rows of a query."""
    rows = query.startswith("query_result")
    made = (
        dashboard.QueryVariable(name)
        .label(label)
        .datasource(SOURCE)
        .definition(query)
        .query(
            {
                "qryType": 3 if rows else 1,
                "query": query,
                "refId": "PrometheusVariableQueryEditor-VariableQuery",
            }
        )
        .refresh(model.VariableRefresh.ON_TIME_RANGE_CHANGED)
        .sort(model.VariableSort.ALPHABETICAL_ASC)
        .multi(many)
        .include_all(many)
    )
    if rows:
        made = made.regex(TEXT_AND_VALUE)
    if many:
        made = made.current(model.VariableOption(text=["All"], value=["$__all"]))
        if name != "disk":
            made = made.all_value(".*")
    return made


TEXT_AND_VALUE = '/name="(?<text>[^"]+)|disk="(?<value>[^"]+)/g'
"""What to show and what to choose, of a row such as {disk="...",name="..."}."""

NAMES = (
    f'sum by (disk, name) (label_join({INFO}{{{HERE},pool=~"$pool"}}, "name", " ", "model", '
    '"serial", "kernel_name"))'
)
VARIABLES = {
    "job": ("Job", f"label_values({INFO}, job)"),
    "instance": ("Host", f'label_values({INFO}{{job=~"$job"}}, instance)'),
    "pool": ("Pool", f"label_values({INFO}{{{HERE}}}, pool)"),
    "disk": ("Disk", f"query_result({NAMES})"),
}
OTHERS = {"overview": "Overview", "disk": "One disk", "wear": "Wear over years", "fleet": "Fleet"}


def board(
    name: str,
    title: str,
    description: str,
    since: str,
    one: bool = False,
    choices: Sequence[str] = ("job", "instance", "pool", "disk"),
) -> dashboard.Dashboard:
    """A dashboard without panels: variables, links to the others, annotations."""
    made = (
        dashboard.Dashboard(f"Spinledger: {title}")
        .uid(f"spinledger-{name}")
        .description(description)
        .tags(["spinledger"])
        .timezone("browser")
        .editable()
        .refresh("1m")
        .time(since, "now")
        .tooltip(model.DashboardCursorSync.CROSSHAIR)
        .with_variable(
            dashboard.DatasourceVariable("datasource").label("Prometheus").type("prometheus")
        )
    )
    for choice in choices:
        label, query = VARIABLES[choice]
        made = made.with_variable(variable(choice, label, query, not (one and choice == "disk")))
    for other, title in OTHERS.items():
        if other != name:
            made = made.link(
                dashboard.DashboardLink(title)
                .type(model.DashboardLinkType.LINK)
                .url(f"/d/spinledger-{other}")
                .include_vars(True)
                .keep_time(other != "wear" and name != "wear")
            )
    return made.annotation(
        dashboard.AnnotationQuery()
        .name("Alerts")
        .datasource(SOURCE)
        .enable(True)
        .icon_color(ACTIVE)
        .expr(alerts("disk" in choices))
        .step("5m")
        .title_format("{{alertname}}")
        .text_format("{{disk}} {{wake_group}}")
    )


def alerts(by_disk: bool) -> str:
    """Alerts that fire on what is chosen; one about a pool names no disk."""
    firing = 'ALERTS{alertname=~"Disk.*",alertstate="firing",'
    if not by_disk:
        return f"{firing}{HERE}}}"
    grouped = f'{firing}{HERE},disk="",wake_group!=""}}'
    return f"{firing}{CHOSEN}}} or {grouped} and on (job, instance, wake_group) {of(INFO)}"


SECONDS = "spinledger_disk_state_seconds_total"
NO_DISK = "no watched disk is selected, or the time shown has no data"
NO_SPIN_UPS = "no spin-up is recorded in the time shown"
UNRATED = "no rating is known, or the drive's counters have not been read so far"
YEAR_S = 31_557_600  # a Julian year


def seconds(state: str, window: str) -> str:
    """Recorded seconds of a disk in states, given as a matcher, over a window."""
    return f"{DISK} (increase({of(SECONDS, state)}[{window}]))"


def asleep(window: str) -> str:
    """Share of the observed time asleep, a disk."""
    slept = seconds('state="standby"', window)
    observed = seconds('state!="unobserved"', window)
    return f"{slept} / ({observed} > 0)"


SPINNING_SHARE = (
    seconds('state=~"active|idle"', "$__interval")
    + " / ("
    + seconds('state=~".+"', "$__interval")
    + " > 0)"
)
"""Share of each interval that a disk was spinning."""

RECENT = "spinledger_disk_recent_cycles"
USED = "spinledger_disk_cycle_limit_used_ratio"
LIFE = "spinledger_disk_rated_life_used_ratio"
