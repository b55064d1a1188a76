"""Fixtures that several files share."""

from operator_cases import dipole_probe as dipole_probe
from operator_cases import scan as scan
