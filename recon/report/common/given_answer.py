"""Refusal of forces and answers that a picture cannot show."""

from __future__ import annotations

from recon.base.errors import DataError, shortened
from recon.base.late import xr
from recon.records.forces import require_forces


def require_answer(forces: xr.Dataset, answer: xr.Dataset, variable: str, function: str) -> None:
    """Refuse an answer without `variable`, which `recon.FUNCTION(forces)` gives, and other forces.

    Raises DataError: as `require_forces`; or the answer is another one.
    """
    require_forces(forces, "tyre_force")
    if variable not in answer:
        raise DataError(
            where=f"picture of recon.{function}",
            found=shortened(f"'{answer.attrs.get('title', 'a dataset')}' without {variable}", 200),
            needed=f"the result of recon.{function}",
            do=f"Give the forces first, then recon.{function}(forces).",
        )
