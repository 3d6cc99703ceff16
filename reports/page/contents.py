"""The sections of the page, in order.

A section is a function decorated by `section`: it takes a `Report`, reads the twin only, and yields
blocks, or none where it has nothing to say.
"""

from __future__ import annotations

from reports.page.report import SectionMaker
from reports.page.sections.ahead import ahead_section
from reports.page.sections.alarms import alarms_section
from reports.page.sections.cautions import cautions_section
from reports.page.sections.chamber import chamber_section
from reports.page.sections.narrowing import narrowing_section
from reports.page.sections.need import need_section
from reports.page.sections.next_tests import next_tests_section
from reports.page.sections.outlook import outlook_section
from reports.page.sections.reasons import reasons_section
from reports.page.sections.record import record_section
from reports.page.sections.sheet import sheet_section
from reports.page.sections.since_last import since_last_section
from reports.page.sections.supplies import supplies_section
from reports.page.sections.tank_ph import tank_ph_section
from reports.page.sections.trust import trust_section
from reports.page.sections.watch import watch_section

SECTIONS: tuple[SectionMaker, ...] = (
    alarms_section,
    sheet_section,
    cautions_section,
    ahead_section,
    need_section,
    reasons_section,
    watch_section,
    since_last_section,
    next_tests_section,
    narrowing_section,
    chamber_section,
    tank_ph_section,
    supplies_section,
    outlook_section,
    trust_section,
    record_section,
)
