"""HL7 FHIR VisionPrescription, both ways: text in, plain values out; plain values in, text out.

Reads R4, R4B and R5, in which the elements of this resource are the same (hl7.org/fhir/R4/visionprescription.html and
R5). `fhir.resources` checks the shape; what it lets through although it can make no lens (an eye called "OD", axis 500,
a cylinder without axis, two right lenses, binary noise in a power) is refused here, each time naming the element.
No reference or extension address is ever followed: nothing in this module opens a connection.

Directions: FHIR's base "in" is towards the nose and "out" away from it, for either eye, as in our own records. A FHIR axis
may be written from -180 to +180; it is turned into 1-180 (ISO 8429). Powers in dioptres, prism in prism dioptres.
"""

from dispensing.fhir.reading import read_vision_prescription
from dispensing.fhir.received import MAX_BYTES
from dispensing.fhir.values import FhirProblem, ImportedLens, ImportedPrescription, Problem, Question
from dispensing.fhir.writing import write_vision_prescription

__all__ = [
    "MAX_BYTES",
    "FhirProblem",
    "ImportedLens",
    "ImportedPrescription",
    "Problem",
    "Question",
    "read_vision_prescription",
    "write_vision_prescription",
]
