"""The bytes of this floor that may be in the database or in the store (`practice.contents`): photographs, prescriptions received.

Order documents and what was seen when signing are not among them: they are short texts, guarded by the database itself, and digested
and sent to labs from there.
"""

from __future__ import annotations

from dispensing.models import Photograph, Prescription
from practice import contents

PHOTOGRAPHS = contents.Holder(Photograph, data="image", key="image_key", sha256="sha256")
DOCUMENTS = contents.Holder(Prescription, data="imported_document", key="imported_key", sha256="imported_sha256", text=True)


def contribute() -> None:
    contents.holds(PHOTOGRAPHS)
    contents.holds(DOCUMENTS)
