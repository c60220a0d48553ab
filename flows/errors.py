"""Errors of procedures, limits and calculations.

TwohandsError
└── FlowError
    └── CalculationError   a calculation asked for what it cannot give
"""

from __future__ import annotations

from grammar.errors import TwohandsError


class FlowError(TwohandsError):
    """Something in a procedure, a limit or a calculation cannot stand."""


class CalculationError(FlowError):
    """A calculation that lacks a reading or was given one it cannot use."""
