"""Like with like: fuel viscosity and density, gap leakage, reference conditions, and readings brought to them."""

from wearlab.conditions.columns import ConditionColumns, columns
from wearlab.conditions.corrected import Corrected, corrected
from wearlab.conditions.exponents import Exponents, prior_exponents
from wearlab.conditions.reference import Reference, ReferenceCondition, reference_of

__all__ = [
    "ConditionColumns",
    "Corrected",
    "Exponents",
    "Reference",
    "ReferenceCondition",
    "columns",
    "corrected",
    "prior_exponents",
    "reference_of",
]
