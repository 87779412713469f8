"""Content negotiation, against RFC 9110 and the headers that Prometheus sends."""

from __future__ import annotations

import pytest

from spinledger.web.negotiate import accepts_gzip, prefers_openmetrics

# Prometheus 2.42, scrape/scrape.go, acceptHeader (from memory).
PROMETHEUS_2 = (
    "application/openmetrics-text;version=1.0.0,application/openmetrics-text;version=0.0.1;q=0.75,"
    "text/plain;version=0.0.4;q=0.5,*/*;q=0.1"
)
# Prometheus 3, default scrape protocols (from memory).
PROMETHEUS_3 = (
    "application/openmetrics-text;version=1.0.0;escaping=allow-utf-8;q=0.5,"
    "application/openmetrics-text;version=0.0.1;q=0.4,"
    "text/plain;version=1.0.0;escaping=allow-utf-8;q=0.3,text/plain;version=0.0.4;q=0.2,*/*;q=0.1"
)


@pytest.mark.parametrize(
    ("accept", "openmetrics"),
    [
        (PROMETHEUS_2, True),
        (PROMETHEUS_3, True),
        ("application/openmetrics-text", True),
        ("Application/OpenMetrics-Text; Version=1.0.0", True),
        ('application/openmetrics-text; version="1.0.0"', True),
        ("application/openmetrics-text;version=0.0.1", False),  # a form we do not speak
        ("application/openmetrics-text;version=9.9.9", False),
        ("application/openmetrics-text;version=abc", False),
        ("application/openmetrics-text;q=0", False),  # RFC 9110, 12.4.2: 0 is "not acceptable"
        ("application/openmetrics-text;q=high", False),
        ("application/openmetrics-text;q=0.2, text/plain", False),
        ("text/plain;q=0.2, application/openmetrics-text;q=0.3", True),
        ("text/plain, application/openmetrics-text", False),  # a tie: the first named
        ("application/openmetrics-text, text/plain", True),
        ("application/openmetrics-text;version=1.0.0;q=0.5, text/plain;version=0.0.4", False),
        ("text/html,application/xhtml+xml;q=0.9,*/*;q=0.8", False),  # a browser
        ("*/*", False),
        ("", False),
        (";;;,,,=;q", False),
    ],
)
def test_openmetrics_is_given_to_who_asks(accept: str, openmetrics: bool) -> None:
    """RFC 9110, 12.5.1: the preferred form of the two; text where neither is requested."""
    assert prefers_openmetrics(accept) is openmetrics


@pytest.mark.parametrize(
    ("header", "gzip"),
    [
        ("gzip", True),
        ("deflate, GZIP;q=0.5", True),
        ("x-gzip", True),  # RFC 9110, 8.4.1.3: equivalent to gzip
        ("gzip;q=0", False),  # RFC 9110, 12.5.3, example with q=0
        ("gzip;q=0.000, identity", False),
        ("identity", False),
        ("", False),
        ("gzipped", False),
    ],
)
def test_gzip_is_given_to_who_accepts_it(header: str, gzip: bool) -> None:
    """RFC 9110, 12.5.3: gzip named with a weight above 0."""
    assert accepts_gzip(header) is gzip
