"""What the trade's actions are called in the audit trail (`practice/deeds.py`)."""

from __future__ import annotations

from practice.deeds import contribute


def contribute_own() -> None:
    contribute(
        "Dispenses",
        {
            "dispense.started": "Dispense started",
            "dispense.needs": "Needs recorded",
            "dispense.prescription": "Prescription recorded",
            "dispense.prescription_chosen": "Earlier prescription chosen",
            "dispense.prescription_imported": "Prescription read from a file",
            "dispense.prescription_read_back": "Prescription read back",
            "dispense.frame": "Frame chosen or measured",
            "dispense.fit": "Fit recorded, not confirmed",
            "dispense.fit_confirmed": "Final fit confirmed",
            "dispense.readings": "Readings taken",
            "dispense.reading_struck_out": "Reading left out",
            "dispense.value_adopted": "Value adopted",
            "dispense.measurement_reason": "Reason for unusual measurements given",
            "dispense.photograph_added": "Photograph added",
            "dispense.photograph_points": "Points on a photograph set",
            "dispense.photograph_removed": "Photograph removed",
            "dispense.lens": "Lens chosen",
            "dispense.reason": "Reason given for a finding",
            "dispense.cancelled": "Dispense cancelled",
        },
    )
    contribute(
        "Sign-off and training",
        {
            "dispense.put_forward": "Put forward for signature",
            "dispense.put_forward_lapsed": "Changed while it waited: no longer put forward",
            "dispense.signed": "Signed",
            "dispense.signature_lifted": "Signature lifted by a change",
            "dispense.returned": "Returned to the dispenser",
            "dispense.taken_over": "Dispense taken over",
            "dispense.remeasured": "Measured independently",
            "training.goal_set": "Goal set",
            "training.goal_met": "Goal met",
            "training.goal_dropped": "Goal dropped",
        },
    )
    contribute(
        "Frames and lenses",
        {
            "catalogue.frame_added": "Frame added to the catalogue",
            "catalogue.frame_changed": "Frame of the catalogue changed",
            "catalogue.frame_retired": "Frame retired",
            "catalogue.frame_brought_back": "Frame brought back",
            "catalogue.lens_added": "Lens added to the catalogue",
            "catalogue.lens_changed": "Lens of the catalogue changed",
            "catalogue.lens_retired": "Lens retired",
            "catalogue.lens_brought_back": "Lens brought back",
            "catalogue.option_added": "Material of a lens added",
            "catalogue.option_changed": "Material of a lens changed",
            "catalogue.option_retired": "Material of a lens retired",
            "catalogue.option_brought_back": "Material of a lens brought back",
            "catalogue.material_added": "Lens material added",
            "catalogue.material_changed": "Lens material changed",
            "catalogue.treatment_added": "Coating or tint added",
            "catalogue.treatment_changed": "Coating or tint changed",
            "catalogue.treatment_retired": "Coating or tint retired",
            "catalogue.treatment_brought_back": "Coating or tint brought back",
            "catalogue.stock_changed": "Stock of a frame changed",
            "catalogue.outline_read": "Outline read from a file",
            "catalogue.outline_taken": "Outline taken into the catalogue",
            "catalogue.outline_refused": "Outline not taken",
            "catalogue.import_started": "Import of a catalogue started",
            "catalogue.imported": "Catalogue imported",
            "catalogue.import_dropped": "Import dropped",
            "catalogue.import_undone": "Import undone",
        },
    )
