"""Fixtures that several files share."""

from cli_probe_cases import readings as readings
from cli_probe_cases import room as room
from cli_probe_cases import substitution as substitution
from export_cases import panel as panel
from export_cases import relative as relative
from export_cases import small as small
