"""What a scraper accepts: RFC 9110, sections 12.4.2 (quality), 12.5.1 (Accept), 12.5.3 (coding).

Rules: two forms are offered, the text format 0.0.4 and OpenMetrics 1.0.0. OpenMetrics is given
only where it is requested by name, with version 1.0.0 or none, and text is not preferred; at equal
quality the one named first. Everything else gets text, malformed headers included.
"""

from __future__ import annotations


def prefers_openmetrics(accept: str) -> bool:
    """True if this Accept header is to be answered with OpenMetrics 1.0.0."""
    openmetrics = text = 0.0
    named_first = False
    for name, parameters in _items(accept):
        quality = _quality(parameters)
        if name == "application/openmetrics-text":
            if parameters.get("version", "1.0.0") == "1.0.0" and quality > openmetrics:
                openmetrics = quality
                named_first = quality > text
        elif name in ("text/plain", "text/*"):
            text = max(text, quality)
    return openmetrics > text or (openmetrics == text > 0 and named_first)


def accepts_gzip(accept_encoding: str) -> bool:
    """True if this Accept-Encoding header allows gzip by name."""
    return any(
        name in ("gzip", "x-gzip") and _quality(parameters) > 0
        for name, parameters in _items(accept_encoding)
    )


def _items(header: str) -> list[tuple[str, dict[str, str]]]:
    """The header's list: lower-case name, and parameters by lower-case name."""
    items = []
    for element in header.split(","):
        name, *rest = element.split(";")
        parameters = {}
        for parameter in rest:
            key, _, value = parameter.partition("=")
            parameters[key.strip().lower()] = value.strip().strip('"')
        items.append((name.strip().lower(), parameters))
    return items


def _quality(parameters: dict[str, str]) -> float:
    """The weight, 1 if not given, 0 if malformed."""
    try:
        weight = float(parameters.get("q", "1"))
    except ValueError:
        return 0.0
    return weight if 0.0 <= weight <= 1.0 else 0.0
