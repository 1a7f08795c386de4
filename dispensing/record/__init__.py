"""What is recorded at the fitting desk, one use case a deed.

Each takes the actor, the values and the version of the part as it was read; opens the transaction, checks permission and
version, writes the audit event, lifts a signature that no longer covers what is there, and says what else followed.

  base          the one way in which a dispense is changed
  start         start and cancel a dispense, its needs
  prescription  typed, chosen, imported, read back
  frame         the frame and its final fit
  lens          the lens
"""

from dispensing.record.base import ORDER_OF_PARTS, PARTS, PartConflict, Saved, part_version
from dispensing.record.frame import FIT_ADJUSTMENTS, choose_frame, confirm_fit, frame_identity, frame_to_store, save_fit
from dispensing.record.lens import choose_lens
from dispensing.record.prescription import (
    Difference,
    ReadBack,
    import_prescription,
    read_back_prescription,
    save_prescription,
    use_prescription,
)
from dispensing.record.start import cancel_dispense, save_needs, start_dispense

__all__ = [
    "FIT_ADJUSTMENTS",
    "ORDER_OF_PARTS",
    "PARTS",
    "Difference",
    "PartConflict",
    "ReadBack",
    "Saved",
    "cancel_dispense",
    "choose_frame",
    "choose_lens",
    "confirm_fit",
    "frame_identity",
    "frame_to_store",
    "import_prescription",
    "part_version",
    "read_back_prescription",
    "save_fit",
    "save_needs",
    "save_prescription",
    "start_dispense",
    "use_prescription",
]
