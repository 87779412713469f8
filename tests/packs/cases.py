"""The scenes of all alerts."""

from __future__ import annotations

from tests.packs.cases_disk import DISKS
from tests.packs.cases_exporter import EXPORTERS
from tests.packs.cases_scrapes import SCRAPES
from tests.packs.scenes import Base

BASES: tuple[Base, ...] = (*DISKS, *SCRAPES, *EXPORTERS)
