"""A full configuration, value by value, and the many ways to write one.

Expected values come from the text of the file by hand. Timer code F2h is one hour: ACS-3 "Standby
timer periods", as read in the Travan 40 technical reference, p105. A year is the Julian year of
31 557 600 s (IAU style manual 5.15).
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
import yaml

from spinledger.config.load import load, parse
from spinledger.config.schema import FIELDS, Field
from spinledger.config.settings import Config, Limits, Tariff, WhatIf, needs_restart
from spinledger.model import Cadence, Disk, Policy, Watch, Watts
from spinledger.schedule import Schedule, Window

DATA = Path(__file__).parents[2] / "data" / "config"
S = 1_000_000_000
DISK = Disk(
    identity="wwn-0x5000c500d0e00009",
    nodes=("sda",),
    transport="sata",
    model="LAB HDD 7200",
    serial="D0E9",
    firmware="L1",
    wwn="0x5000c500d0e00009",
    rotation_rpm=7200,
    pool="",
    device="dev-d0e9",
    probe_method=None,
    diskseq=0,
)


@pytest.fixture(scope="module")
def config() -> Config:
    """The observatory's configuration."""
    return load(DATA / "observatory.yaml", zone="UTC")


def test_the_exporter_itself(config: Config) -> None:
    """Address, paths, intervals and limits are those of the file."""
    assert config.source == str(DATA / "observatory.yaml")
    assert config.listen == ("127.0.0.1", 9786)
    assert config.tls_and_users == Path("/etc/spinledger/web.yml")
    assert config.cadence == Cadence(4 * S, 90 * S, 900 * S, 2700 * S, 86_400 * S)
    assert config.wear_every_ns == 2700 * S
    assert config.cross_check == Path("/usr/sbin/smartctl")
    assert config.ledger_path == Path("/srv/dome/ledger.db")
    assert config.keep_spans_ns == 500 * 86400 * S
    assert config.tariff == Tariff("CZK", 6.5)
    timers = tuple(t * S for t in (300, 600, 1800, 5400, 10800, 19800))
    assert config.what_if == WhatIf(timers, 12 * S, 4.0)
    assert config.limits == Limits(6, 2, 2 * 31_557_600 * S, 0.75, 60 * 86_400 * S)
    assert config.may_be_suspended


def test_the_schedules(config: Config) -> None:
    """Lines of windows become windows a day each, and exceptions become dates."""
    evening = 22 * 60
    morning = 6 * 60 + 30
    assert config.schedules["nights"] == Schedule(
        "nights",
        "Europe/Prague",
        (
            *(Window(day, evening, 1, morning) for day in range(5)),
            Window(4, evening, 3, morning),
        ),
        frozenset({date(2026, 12, 24), date(2026, 12, 31)}),
    )
    assert config.schedules["daylight"] == Schedule(
        "daylight",
        "America/St_Johns",
        (
            *(Window(day, 480, 0, 960) for day in range(5)),
            Window(5, 0, 1, 0),
            Window(5, 480, 0, 960),
            Window(6, 0, 1, 0),
            Window(6, 480, 0, 960),
        ),
    )
    assert list(config.schedules) == ["nights", "daylight"]


def test_a_disk_with_everything(config: Config) -> None:
    """A rule with every key set leaves nothing to the defaults."""
    disk = replace(DISK, identity="wwn-0x5000c500d0e00001")
    assert config.policy_for(disk) == Policy(
        watch=Watch.FULL,
        cadence=Cadence(4 * S, 90 * S, 900 * S, 2700 * S, 86_400 * S),
        budget_per_day=2.0,
        budget_source="configured",
        declared_ns=1200 * S,
        rated_load=600_000,
        rated_start_stop=50_000,
        watts=Watts(5.3, 0.7, 7.5, "configured"),
        spinup_j=130.0,
        quiet=None,
        candidates_ns=config.what_if.timers_ns,
        whatif_spinup_ns=config.what_if.spinup_ns,
        waits_per_day=config.what_if.waits_per_day,
        disturbance_limit=2,
        horizon_s=2 * 31_557_600.0,
        quiet_asleep_min=0.75,
        may_be_absent=True,
        absent_for_ns=60 * 86_400 * S,
        actor_limit=6,
    )


def test_defaults_fill_in_key_by_key(config: Config) -> None:
    """A rule that gives one rated figure takes the other from `defaults`, watts half and half."""
    policy = config.policy_for(replace(DISK, model="ARCHIVE 8T"))
    assert policy.declared_ns == 3600 * S
    assert (policy.rated_load, policy.rated_start_stop) == (300_000, 10_000)
    assert policy.watts == Watts(5.7, 0.9, None, "configured")
    assert (policy.budget_per_day, policy.budget_source) == (6.5, "configured")
    assert policy.quiet == "nights"
    assert policy.spinup_j == 120.0


def test_the_first_match_wins(config: Config) -> None:
    """An archive disk behind the bridge takes the bridge's rule, above the model's."""
    disk = replace(DISK, identity="usb-attic_bridge_0002", transport="usb", model="ARCHIVE 8T")
    assert config.policy_for(disk).watch is Watch.OFF
    assert config.policy_for(disk).declared_ns is None
    aliased = replace(DISK, aliases=("usb-attic_bridge_0002",), model="ARCHIVE 8T")
    assert config.policy_for(aliased).watch is Watch.OFF


def test_a_model_pattern_minds_case(config: Config) -> None:
    """A pattern fits the whole model, case and all, as a shell's does; `all` takes the rest."""
    assert config.policy_for(replace(DISK, model="archive 8T")).declared_ns == 0
    assert config.policy_for(replace(DISK, model="COLD ARCHIVE 8T")).declared_ns == 0
    assert config.policy_for(replace(DISK, model="ARCHIVE 16T")).declared_ns == 3600 * S


def test_earlier_identities_lead_to_the_present_one(config: Config) -> None:
    """A disk back behind its old bridge keeps its rule and its identity in the ledger."""
    for name in ("usb-dome_bridge_0001", "ata-LAB_HDD_7200_D0E1", "wwn-0x5000c500d0e00001"):
        assert config.identity_of(name) == "wwn-0x5000c500d0e00001"
    assert config.identity_of("usb-attic_bridge_0002") == "usb-attic_bridge_0002"
    back = replace(DISK, identity="usb-dome_bridge_0001", transport="usb")
    assert config.policy_for(back).spinup_j == 130.0
    assert config.policy_for(back).watch is Watch.FULL


def test_entries_that_match_no_disk(config: Config) -> None:
    """An entry for a disk that is here under an earlier name matches; `all` is never counted."""
    assert [rule.match for rule in config.unmatched([])] == [
        "identity: wwn-0x5000c500d0e00001",
        "by_id: usb-attic_bridge_0002",
        'model: "ARCHIVE *"',
    ]
    old = replace(DISK, identity="usb-dome_bridge_0001")
    linked = replace(DISK, aliases=("usb-attic_bridge_0002",), model="ARCHIVE 8T")
    assert [rule.line for rule in config.unmatched([old])] == [28, 30]
    assert config.unmatched([old, linked]) == ()


def test_what_needs_a_restart() -> None:
    """The address and the ledger's path, each by its key; no other key of the example does."""
    before = load(None)
    after = load(DATA / "observatory.yaml", zone="UTC")
    assert needs_restart(before, before) == ()
    assert needs_restart(before, after) == ("ledger.path",)
    assert needs_restart(before, replace(before, listen=("127.0.0.1", 1))) == ("listen",)


def test_usb_is_probed_only_where_configured() -> None:
    """A USB disk is watched by counters, with `watch: full` in its rule or `defaults` probed."""
    usb = replace(DISK, transport="usb")
    assert load(None).policy_for(usb).watch is Watch.COUNTERS
    assert load(None).policy_for(DISK).watch is Watch.FULL
    silent = parse("disks: [{match: {all: true}, quiet: none}]", "x")
    assert silent.policy_for(usb).watch is Watch.COUNTERS
    assert silent.policy_for(usb).may_be_absent
    assert not silent.policy_for(DISK).may_be_absent
    assert parse("defaults: {watch: full}", "x").policy_for(usb).watch is Watch.FULL
    ruled = parse("defaults: {watch: off}\ndisks: [{match: {all: true}, watch: full}]", "x")
    assert ruled.policy_for(usb).watch is Watch.FULL


def test_without_a_file_the_manual_holds() -> None:
    """No file gives the defaults that the manual of the configuration names."""
    config = load(None)
    assert config.source == ""
    assert config.listen == ("127.0.0.1", 9786)
    assert config.tls_and_users is None
    assert config.cadence == Cadence(5 * S, 60 * S, 600 * S)
    assert config.wear_every_ns == 1800 * S
    assert config.cross_check is None
    assert config.ledger_path == Path("/var/lib/spinledger/ledger.db")
    assert config.keep_spans_ns == 400 * 86400 * S
    assert not config.schedules
    assert config.tariff is None
    timers = tuple(t * S for t in (300, 600, 1200, 3600, 7200, 14400))
    assert config.what_if == WhatIf(timers, 10 * S, 5.0)
    assert config.limits == Limits(8, 3, 3 * 31_557_600 * S, 0.5, 30 * 86_400 * S)
    assert not config.may_be_suspended
    assert config.rules == ()


def test_the_schema_and_the_data_types_agree_on_defaults() -> None:
    """The policy of a disk without a word in any file is the data type's own, timers apart."""
    policy = load(None).policy_for(DISK)
    assert replace(policy, candidates_ns=(), whatif_spinup_ns=0) == Policy()


@pytest.mark.parametrize("seconds", [t // S for t in load(None).what_if.timers_ns])
def test_the_drive_can_be_given_each_default_timer(seconds: int) -> None:
    """Each default timer on paper has an ATA code: 5 s steps to 20 min, 30 min steps to 5.5 h.

    Source: ACS-3 "Standby timer periods", as read in the Travan 40 technical reference, p105.
    """
    assert (seconds % 5 == 0 and 5 <= seconds <= 1200) or (
        seconds % 1800 == 0 and 1800 <= seconds <= 19800
    )


@pytest.mark.parametrize(
    "text",
    [
        "",
        "\n",
        "# nothing yet\n",
        "---\n",
        "--- {}\n",
        "~",
        "{}",
        "sample:\ndisks:\nschedules:\ndefaults:\n",
        "what_if:\n  timers:\n",
        "%YAML 1.1\n---\n",
    ],
)
def test_nothing_written_is_the_defaults(text: str) -> None:
    """Empty files, comments and keys whose lines are commented out give the defaults."""
    assert parse(text, "") == load(None)


@pytest.mark.parametrize(
    "text",
    [
        "sample:\n  fast: 2s\n  slow: 45s\n",
        "sample:\r\n  fast: 2s\r\n  slow: 45s\r\n",
        'sample: {"fast": "2s", \'slow\': 45s}',
        "{sample: {slow: 45s, fast: 2.0s}}",
        "sample: {fast: &two 2s, slow: 0m45s}\nwhat_if: {spinup: 10s}",
        "? sample\n: fast: !!str 2s\n  slow: >-\n    45s\n",
    ],
)
def test_one_thing_may_be_written_in_many_ways(text: str) -> None:
    """Block and flow style, quotes, line ends, tags and anchors of YAML 1.2 make no difference."""
    assert parse(text, "x").cadence == Cadence(2 * S, 45 * S, 600 * S)


@pytest.mark.parametrize(
    "text",
    [
        "sample: {fast: 0.1s, slow: 0.1s, asleep: 0.1s}",
        "sample: {fast: 1m, slow: 1d, asleep: 7d}",
        "wear: {every: 1s}\nledger: {keep_spans: 1d}\nwhat_if: {timers: [1s, 7d], spinup: 0}",
        "wear: {every: 30d}\nledger: {keep_spans: 100y}\nwhat_if: {spinup: 10m}",
        "limits: {actors: 0, probe_disturbances: 1, quiet_asleep_min: 0}",
        "limits: {actors: 100, probe_disturbances: 1000, quiet_asleep_min: 1}",
        "defaults: {budget_per_day: 0.01, watts: {idle: 0, standby: 0}, spinup_joules: 0}",
        "defaults: {budget_per_day: 1000, watts: {idle: 100, standby: 100}, declared_timer: 7d}",
        "listen: localhost:0",
    ],
)
def test_the_ends_of_each_range_belong_to_it(text: str) -> None:
    """A range that a message gives as `A to B` takes A and takes B, and reads back as written."""
    written = yaml.safe_load(text)
    summary = parse(text, "x").summary()
    for section, keys in written.items():
        if not isinstance(keys, dict):
            assert summary[section] == keys
            continue
        for key, value in keys.items():
            shown = summary[section][key]
            assert shown == (value if value != 0 or key != "spinup" else "0s")


def test_a_byte_order_mark_is_no_key(tmp_path: Path) -> None:
    """A file that begins with U+FEFF reads like one without (YAML 1.2, 5.2)."""
    path = tmp_path / "marked.yaml"
    path.write_bytes(b"\xef\xbb\xbfwear: {every: 1h}\n")
    assert load(path).wear_every_ns == 3600 * S


def test_an_anchor_repeats_a_value() -> None:
    """An alias stands for the node it names (YAML 1.2, 7.1), for one value and for a mapping."""
    config = parse(
        "disks:\n"
        "  - match: {model: ARCHIVE 8T}\n"
        "    watts: &usual {idle: 4.5, standby: 0.6}\n"
        "    declared_timer: &timer 30m\n"
        "  - match: {model: LAB HDD 7200}\n"
        "    watts: *usual\n"
        "    declared_timer: *timer\n",
        "x",
    )
    policy = config.policy_for(DISK)
    assert policy.watts == Watts(4.5, 0.6, None, "configured")
    assert policy.declared_ns == 1800 * S


def test_a_timer_of_a_rule_replaces_a_code_of_the_defaults() -> None:
    """Period and code are two spellings of one key, whichever stands where."""
    rule = "disks: [{match: {all: true}, declared_timer: %s}]\ndefaults: {declared_timer: %s}"
    assert parse(rule % ("20m", "{code: 0xF2}"), "x").policy_for(DISK).declared_ns == 1200 * S
    assert parse(rule % ("{code: 0xF2}", "20m"), "x").policy_for(DISK).declared_ns == 3600 * S
    assert parse(rule % ("{code: 0x00}", "20m"), "x").policy_for(DISK).declared_ns == 0


@pytest.mark.parametrize("code", ["0xF2", "0xf2", '"0xF2"', "242"])
def test_a_timer_code_is_hexadecimal_or_decimal(code: str) -> None:
    """F2h is one hour (ACS-3, as above), and YAML 1.1 reads 0xF2 as the same integer."""
    config = parse(f"defaults: {{declared_timer: {{code: {code}}}}}", "x")
    assert config.policy_for(DISK).declared_ns == 3600 * S


@pytest.mark.parametrize("row", FIELDS, ids=lambda row: row.path)
def test_rows_explain_themselves(row: Field) -> None:
    """Each row of the schema has help, words for the fix, and a default its own parser takes."""
    assert row.help
    assert row.kind.expected
    assert (row.initial is None) == (row.default is None)


def test_the_summary_reads_back_as_the_same_settings(config: Config) -> None:
    """The summary is in the notation of the file: as a file it gives the same settings."""
    text = yaml.safe_dump(
        {key: value for key, value in config.summary().items() if key != "source"}
    )
    again = parse(text, config.source)
    disks = [
        DISK,
        replace(DISK, identity="wwn-0x5000c500d0e00001"),
        replace(DISK, identity="usb-attic_bridge_0002"),
        replace(DISK, model="ARCHIVE 8T"),
    ]
    assert [again.policy_for(disk) for disk in disks] == [config.policy_for(disk) for disk in disks]
    bare = replace(again, rules=(), defaults={})
    assert bare == replace(config, rules=(), defaults={})
