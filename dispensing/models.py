"""What was recorded at the fitting desk. No arithmetic and no rules: those see a Case (`gather.case_of`)."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django.db import models

from dispensing.case import EYES
from practice.models import Branch, Client, Group, Staff, new_reference

EYE_CHOICES = [(e, e) for e in EYES]


def mm(**kw: Any) -> models.DecimalField[Any, Any]:
    return models.DecimalField(max_digits=6, decimal_places=2, null=True, blank=True, **kw)


def power(**kw: Any) -> models.DecimalField[Any, Any]:
    return models.DecimalField(max_digits=5, decimal_places=2, null=True, blank=True, **kw)


def new_dispense_reference() -> str:
    return new_reference("D")


# --- catalogues -------------------------------------------------------------------------------------------------------


class CatalogueFrame(models.Model):
    """One size and colour of a frame model."""

    class Mount(models.TextChoices):
        FULL = "full_rim", "full rim"
        GROOVED = "grooved", "grooved"
        DRILLED = "drilled", "drilled"

    group = models.ForeignKey(Group, on_delete=models.PROTECT, related_name="frames")
    code = models.CharField(max_length=40)  # key within the group
    maker = models.CharField(max_length=80)
    model = models.CharField(max_length=80)
    colour = models.CharField(max_length=60, blank=True)
    gtin = models.CharField(max_length=14, blank=True)
    shape = models.CharField(max_length=40, blank=True)
    a = mm()
    b = mm()
    dbl = mm()
    ed = mm()
    side = mm()
    mount = models.CharField(max_length=10, choices=Mount.choices, default=Mount.FULL)
    material = models.CharField(max_length=40, blank=True)
    front_curve = power()
    face_form_deg = mm()
    groove_mm = mm()
    child = models.BooleanField(default=False)
    outline = models.JSONField(default=list, blank=True)  # radii in mm, equal steps, from nasal through up
    drill_points = models.JSONField(default=list, blank=True)  # [{"x", "y", "diameter"}]
    weight_g = mm()
    valid_from = models.DateField(null=True, blank=True)
    valid_until = models.DateField(null=True, blank=True)  # the last day it can be chosen
    retired_on = models.DateField(null=True, blank=True)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["group", "code"], name="frame_code_once_per_group")]
        indexes = [
            models.Index(fields=["group", "gtin"], name="frame_by_gtin"),
            models.Index(fields=["group", "maker", "model"], name="frame_by_model"),
        ]
        ordering = ["maker", "model", "a"]

    def __str__(self) -> str:
        return f"{self.maker} {self.model}"


class LensMaterial(models.Model):
    group = models.ForeignKey(Group, on_delete=models.PROTECT, related_name="lens_materials")
    code = models.CharField(max_length=40)
    name = models.CharField(max_length=80)
    nd = models.DecimalField(max_digits=5, decimal_places=3)
    abbe = models.DecimalField(max_digits=4, decimal_places=1)
    density = models.DecimalField(max_digits=4, decimal_places=2)
    impact = models.CharField(max_length=8, default="basic")  # low, basic, good, high
    drilled = models.CharField(max_length=8, default="fair")  # no, poor, fair, good
    grooved = models.CharField(max_length=8, default="good")
    glass = models.BooleanField(default=False)
    source = models.CharField(max_length=200, blank=True)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["group", "code"], name="material_code_once_per_group")]
        ordering = ["nd"]

    def __str__(self) -> str:
        return self.name


class CatalogueLens(models.Model):
    class Family(models.TextChoices):
        SINGLE = "single_vision", "single vision"
        ROUND = "round_bifocal", "round-segment bifocal"
        FLAT = "flat_top_bifocal", "flat-top bifocal"
        TRIFOCAL = "trifocal", "trifocal"
        PROGRESSIVE = "progressive", "progressive"
        DEGRESSIVE = "degressive", "degressive"

    class NearInset(models.TextChoices):
        COMPUTED = "computed", "computed for each client"
        FIXED = "fixed", "fixed, as stated"
        MAKER = "maker", "by the maker for each order"

    group = models.ForeignKey(Group, on_delete=models.PROTECT, related_name="lenses")
    code = models.CharField(max_length=40)
    maker = models.CharField(max_length=80)
    name = models.CharField(max_length=120)
    family = models.CharField(max_length=20, choices=Family.choices)
    corridor_mm = mm()
    min_height_mm = mm()
    min_above_mm = mm()
    near_inset_mm = mm()
    segment_width_mm = mm()
    segment_depth_mm = mm()
    intermediate_depth_mm = mm()
    segment_centre_below_top_mm = mm()
    cross_above_prism_point_mm = mm()
    add_min = power()
    add_max = power()
    degression = power()
    near_inset_rule = models.CharField(max_length=8, choices=NearInset.choices, blank=True, default="", db_default="")
    price_band = models.CharField(max_length=20, blank=True, default="", db_default="")
    lead_days = models.PositiveSmallIntegerField(null=True, blank=True)  # working days, as the maker states them
    lab_codes = models.JSONField(default=list, blank=True, db_default=[])  # codes of the labs that make it; empty: not said
    treatment_codes = models.JSONField(
        default=list, blank=True, db_default=[]
    )  # coatings and tints it is made with; empty: not said
    valid_from = models.DateField(null=True, blank=True)
    valid_until = models.DateField(null=True, blank=True)
    retired_on = models.DateField(null=True, blank=True)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["group", "code"], name="lens_code_once_per_group")]
        ordering = ["family", "maker", "name"]

    def __str__(self) -> str:
        return self.name


class LensOption(models.Model):
    """A design made in a material: what can be had."""

    lens = models.ForeignKey(CatalogueLens, on_delete=models.PROTECT, related_name="options")
    material = models.ForeignKey(LensMaterial, on_delete=models.PROTECT, related_name="options")
    sphere_min = power()
    sphere_max = power()
    cylinder_max = power()
    prism_max = power()
    blank_diameters = models.JSONField(default=list)
    min_centre_mm = mm()
    min_edge_full_mm = mm()
    min_edge_grooved_mm = mm()
    min_edge_drilled_mm = mm()
    base_curves = models.JSONField(
        default=list, blank=True, db_default=[]
    )  # [{"from", "to": sphere in D, "curve": D at n = 1.53}], text
    diameter_ranges = models.JSONField(
        default=list, blank=True, db_default=[]
    )  # [{"diameter", "from", "to", "cylinder"}], text
    blank_decentration_mm = mm()  # geometric centre of the blank nasal of its optical centre
    valid_from = models.DateField(null=True, blank=True)
    valid_until = models.DateField(null=True, blank=True)
    retired_on = models.DateField(null=True, blank=True)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["lens", "material"], name="one_option_per_lens_and_material")]
        ordering = ["lens", "material__nd"]

    def __str__(self) -> str:
        return f"{self.lens.name} {self.material.name}"


class Treatment(models.Model):
    class Kind(models.TextChoices):
        COATING = "coating", "coating"
        TINT = "tint", "tint"

    group = models.ForeignKey(Group, on_delete=models.PROTECT, related_name="treatments")
    code = models.CharField(max_length=40)
    kind = models.CharField(max_length=8, choices=Kind.choices)
    name = models.CharField(max_length=80)
    transmittance_clear = models.DecimalField(max_digits=4, decimal_places=1, null=True, blank=True)  # luminous, per cent
    transmittance_dark = models.DecimalField(max_digits=4, decimal_places=1, null=True, blank=True)
    retired_on = models.DateField(null=True, blank=True)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["group", "code"], name="treatment_code_once_per_group")]
        ordering = ["kind", "name"]

    def __str__(self) -> str:
        return self.name


# --- prescriptions ----------------------------------------------------------------------------------------------------


class Prescription(models.Model):
    """What a prescriber wrote. `as_written` keeps every field as it was typed, or the imported document."""

    class Source(models.TextChoices):
        TYPED = "typed", "typed"
        IMPORTED = "imported", "imported"

    client = models.ForeignKey(Client, on_delete=models.PROTECT, related_name="prescriptions")
    prescriber = models.CharField(max_length=120, blank=True)
    written_on = models.DateField(null=True, blank=True)
    expires_on = models.DateField(null=True, blank=True)
    vertex_mm = mm()
    source = models.CharField(max_length=8, choices=Source.choices, default=Source.TYPED)
    as_written = models.JSONField(default=dict)
    imported_document = models.TextField(blank=True)
    imported_key = models.CharField(
        max_length=80, blank=True, default="", db_default=""
    )  # in the store (practice.contents) instead
    imported_sha256 = models.CharField(max_length=64, blank=True)
    read_back = models.CharField(max_length=8, blank=True)  # "", "matched", "differs"
    remark = models.TextField(blank=True)
    created_at = models.DateTimeField(auto_now_add=True)
    created_by = models.ForeignKey(Staff, on_delete=models.PROTECT, null=True, related_name="+")


class PrescriptionEye(models.Model):
    """One eye, as written; amounts of prism are never negative, the base says the direction."""

    prescription = models.ForeignKey(Prescription, on_delete=models.CASCADE, related_name="eyes")
    eye = models.CharField(max_length=5, choices=EYE_CHOICES)
    sphere = power()
    cylinder = power()
    axis = models.DecimalField(max_digits=5, decimal_places=1, null=True, blank=True)
    add = power()
    intermediate_add = power()
    near_sphere = power()
    prism_h = power()
    base_h = models.CharField(max_length=3, blank=True)  # in, out
    prism_v = power()
    base_v = models.CharField(max_length=4, blank=True)  # up, down
    near_prism_h = power()
    near_base_h = models.CharField(max_length=3, blank=True)
    near_prism_v = power()
    near_base_v = models.CharField(max_length=4, blank=True)
    balance = models.BooleanField(default=False)
    acuity = models.CharField(max_length=12, blank=True)
    near_acuity = models.CharField(max_length=12, blank=True)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["prescription", "eye"], name="each_eye_once_per_prescription")]


# --- the dispense -----------------------------------------------------------------------------------------------------


class Dispense(models.Model):
    class State(models.TextChoices):
        OPEN = "open", "being prepared"
        WAITING = "waiting", "waiting for signature"
        RETURNED = "returned", "returned"
        SIGNED = "signed", "signed"
        ORDERED = "ordered", "ordered"
        COLLECTED = "collected", "collected"
        CANCELLED = "cancelled", "cancelled"

    reference = models.CharField(max_length=12, unique=True, default=new_dispense_reference, editable=False)
    group = models.ForeignKey(Group, on_delete=models.PROTECT, related_name="dispenses")
    branch = models.ForeignKey(Branch, on_delete=models.PROTECT, related_name="dispenses")
    client = models.ForeignKey(Client, on_delete=models.PROTECT, related_name="dispenses")
    dispenser = models.ForeignKey(Staff, on_delete=models.PROTECT, related_name="dispenses")
    state = models.CharField(max_length=10, choices=State.choices, default=State.OPEN)
    version = models.PositiveIntegerField(default=1)  # grows with every change; guards against overwriting unseen
    part_versions = models.JSONField(
        default=dict, blank=True
    )  # {part: count of changes}: two people on different parts do not collide
    created_at = models.DateTimeField(auto_now_add=True)
    updated_at = models.DateTimeField(auto_now=True)
    updated_by = models.ForeignKey(Staff, on_delete=models.PROTECT, null=True, related_name="+")
    # who last changed what is signed, which reading the prescription back does not; None in rows of before: `updated_by`
    content_by = models.ForeignKey(Staff, on_delete=models.PROTECT, null=True, related_name="+")
    earlier = models.ForeignKey("self", on_delete=models.PROTECT, null=True, blank=True, related_name="later")
    # needs
    uses = models.JSONField(default=list, blank=True)  # values of case.Use
    working_distance_mm = mm()
    first_progressive = models.BooleanField(default=False)
    wish = models.TextField(blank=True)
    # prescription
    prescription = models.ForeignKey(
        Prescription, on_delete=models.PROTECT, null=True, blank=True, related_name="dispenses"
    )
    # frame: a copy of what was chosen, so that a later catalogue change changes nothing here
    frame_item = models.ForeignKey(CatalogueFrame, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    frame = models.JSONField(default=dict, blank=True)  # fields of case.Frame, numbers as text; {} = none yet
    # final fit
    fit_confirmed_at = models.DateTimeField(null=True, blank=True)
    fit_confirmed_by = models.ForeignKey(Staff, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    fit_adjusted = models.JSONField(default=list, blank=True)  # what was adjusted
    fit_frame_identity = models.CharField(max_length=80, blank=True)
    vertex_mm = mm()  # as worn
    pantoscopic_deg = mm()
    face_form_deg = mm()
    # readings are rows; a reason for something unusual about them is here
    measurement_reason = models.TextField(blank=True)
    # lens
    lens_option = models.ForeignKey(LensOption, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    blank_diameter_mm = mm()
    front_curve = power()
    coating = models.ForeignKey(Treatment, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    tint = models.ForeignKey(Treatment, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    compensation = models.CharField(max_length=8, default="none")  # none, practice, maker
    ordered = models.JSONField(default=dict, blank=True)  # {"right": {...}, "left": {...}} when stated; numbers as text
    prism_thinning_down = power()
    slab_off = models.BooleanField(default=False)
    lens_remark = models.TextField(blank=True)
    # what the last assessment found, for lists (never the truth: it is run again)
    stops = models.PositiveSmallIntegerField(default=0)
    confirms = models.PositiveSmallIntegerField(default=0)

    class Meta:
        indexes = [
            models.Index(fields=["branch", "state", "-updated_at"], name="dispense_by_branch_state"),
            models.Index(fields=["client", "-created_at"], name="dispense_by_client"),
        ]

    def __str__(self) -> str:
        return self.reference


class Reading(models.Model):
    """One measurement as it was read. Never edited: struck out with a reason instead."""

    dispense = models.ForeignKey(Dispense, on_delete=models.PROTECT, related_name="readings")
    quantity = models.CharField(max_length=10)  # case.Quantity
    eye = models.CharField(max_length=5)  # right, left, both
    value = models.DecimalField(max_digits=6, decimal_places=2)
    as_typed = models.CharField(max_length=40, blank=True)
    method = models.CharField(max_length=20, blank=True)
    reference = models.CharField(max_length=16, blank=True)  # heights: box, rim_below_pupil, datum, visible_rim
    frame_identity = models.CharField(max_length=80, blank=True)
    observer_level = models.BooleanField(null=True, blank=True)
    observer_above_mm = mm()
    observer_distance_mm = mm()
    instrument = models.CharField(max_length=60, blank=True)  # which one, where a practice has several
    by = models.ForeignKey(Staff, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()
    in_doubt = models.BooleanField(default=False)
    struck_out_at = models.DateTimeField(null=True, blank=True)
    struck_out_reason = models.CharField(max_length=200, blank=True)
    entry = models.CharField(max_length=40, blank=True)  # made where it was typed: the same entry sent twice is one reading

    class Meta:
        ordering = ["at", "id"]
        constraints = [
            models.UniqueConstraint(fields=["dispense", "entry"], condition=~models.Q(entry=""), name="reading_entry_once")
        ]


class Adoption(models.Model):
    """The value chosen for one quantity of one eye: a decision, recorded. The newest row of a quantity and eye counts."""

    dispense = models.ForeignKey(Dispense, on_delete=models.PROTECT, related_name="adoptions")
    quantity = models.CharField(max_length=10)
    eye = models.CharField(max_length=5)  # right, left, both
    value = models.DecimalField(max_digits=6, decimal_places=2, null=True)  # null: withdrawn
    reference = models.CharField(max_length=16, blank=True)
    how = models.CharField(max_length=20)  # "only reading", "median", "chosen", ...
    by = models.ForeignKey(Staff, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()
    frame_identity = models.CharField(max_length=80, blank=True)
    in_doubt = models.BooleanField(default=False)

    class Meta:
        ordering = ["at", "id"]


class Photograph(models.Model):
    """A front view to measure on. The bytes are our own encoding of what was sent; once removed they are gone and the fact stays."""

    class Kind(models.TextChoices):
        CARD = "card", "card, 85.60 mm wide"
        FRAME = "frame", "the frame itself"
        LENGTH = "length", "another known length"

    dispense = models.ForeignKey(Dispense, on_delete=models.PROTECT, related_name="photographs")
    image = models.BinaryField(null=True, blank=True)  # JPEG without metadata; null: removed, or in the store
    image_key = models.CharField(
        max_length=80, blank=True, default="", db_default=""
    )  # in the store (practice.contents) instead
    width = models.PositiveIntegerField()
    height = models.PositiveIntegerField()
    sha256 = models.CharField(max_length=64)  # of the bytes that are or were kept
    frame_identity = models.CharField(max_length=80, blank=True)  # the frame when it was added
    added_by = models.ForeignKey(Staff, on_delete=models.PROTECT, related_name="+")
    added_at = models.DateTimeField()
    version = models.PositiveIntegerField(default=1)  # of the points and of what is stated about the picture
    points = models.JSONField(default=dict, blank=True)  # {name: [x, y]} in pixels from the upper left corner
    reference_kind = models.CharField(max_length=8, choices=Kind.choices, default=Kind.CARD)
    reference_mm = mm()  # of another known length
    reference_ahead_mm = mm()  # the reference before (+) or behind (-) the lens plane
    camera_mm = mm()
    camera_above_mm = mm()
    turn_deg = mm()
    looking = models.CharField(max_length=8, default="camera")  # camera, far
    mark = models.CharField(max_length=8, default="pupil")  # pupil, reflex
    placed_by = models.ForeignKey(Staff, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    placed_at = models.DateTimeField(null=True, blank=True)
    removed_by = models.ForeignKey(Staff, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    removed_at = models.DateTimeField(null=True, blank=True)
    removed_reason = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["-added_at", "-id"]


class Reason(models.Model):
    """Why a `confirm` finding is right this time. Void once the finding's key or figures change."""

    dispense = models.ForeignKey(Dispense, on_delete=models.PROTECT, related_name="reasons")
    finding_key = models.CharField(max_length=200)
    seen = models.JSONField(default=list)  # the figures the finding showed when the reason was given
    text = models.CharField(max_length=400)
    by = models.ForeignKey(Staff, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()

    class Meta:
        ordering = ["at", "id"]


class Signature(models.Model):
    """A supervisor's decision on a dispense, with what was seen."""

    class Decision(models.TextChoices):
        SUBMITTED = "submitted", "put forward"
        SIGNED = "signed", "signed"
        RETURNED = "returned", "returned"
        LIFTED = "lifted", "lifted by a later change"
        TAKEN = "taken_over", "taken over"

    dispense = models.ForeignKey(Dispense, on_delete=models.PROTECT, related_name="signatures")
    decision = models.CharField(max_length=10, choices=Decision.choices)
    by = models.ForeignKey(Staff, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()
    comment = models.TextField(blank=True)
    dispense_version = models.PositiveIntegerField()
    snapshot = models.TextField(blank=True)  # canonical JSON of the Case and findings that were seen
    snapshot_sha256 = models.CharField(max_length=64, blank=True)
    covering_for = models.ForeignKey(  # the trainee's own supervisor, who was away
        Staff, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )

    class Meta:
        ordering = ["at", "id"]
        indexes = [models.Index(fields=["by", "-at"], name="signature_by_person")]


class Remark(models.Model):
    """What a supervisor says of one field or part of a dispense they return."""

    signature = models.ForeignKey(Signature, on_delete=models.PROTECT, related_name="remarks")
    path = models.CharField(max_length=80)  # a field of the sheet ("prescription.right.sphere") or a whole part ("fit")
    text = models.CharField(max_length=400)

    class Meta:
        ordering = ["id"]


class Remeasure(models.Model):
    """One independent re-measure of a dispense by a supervisor. Beside the record: no Case, figure or check ever sees it."""

    dispense = models.ForeignKey(Dispense, on_delete=models.PROTECT, related_name="remeasures")
    by = models.ForeignKey(Staff, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()
    blind = models.BooleanField()  # entered before anything of the dispenser's readings had been seen
    frame_identity = models.CharField(max_length=80, blank=True)
    dispense_version = models.PositiveIntegerField()

    class Meta:
        ordering = ["at", "id"]


class SupervisorReading(models.Model):
    """One reading of a re-measure, as it was read."""

    remeasure = models.ForeignKey(Remeasure, on_delete=models.PROTECT, related_name="readings")
    quantity = models.CharField(max_length=10)
    eye = models.CharField(max_length=5)
    value = models.DecimalField(max_digits=6, decimal_places=2)
    as_typed = models.CharField(max_length=40, blank=True)
    method = models.CharField(max_length=20, blank=True)
    reference = models.CharField(max_length=16, blank=True)
    instrument = models.CharField(max_length=60, blank=True)
    observer_above_mm = mm()
    observer_distance_mm = mm()

    class Meta:
        ordering = ["id"]


class Comparison(models.Model):
    """The adopted value of one quantity of one eye held against a re-measure: both in the same terms, mm, as found then."""

    remeasure = models.ForeignKey(Remeasure, on_delete=models.PROTECT, related_name="comparisons")
    quantity = models.CharField(max_length=10)
    eye = models.CharField(max_length=5)
    terms = models.CharField(max_length=16, blank=True)  # heights: what both are measured from
    theirs = models.DecimalField(max_digits=6, decimal_places=2)
    ours = models.DecimalField(max_digits=6, decimal_places=2)
    of = models.ForeignKey(Staff, on_delete=models.PROTECT, related_name="+")  # who took the reading that was adopted
    method = models.CharField(max_length=20, blank=True)  # of theirs
    instrument = models.CharField(max_length=60, blank=True)
    own_method = models.CharField(max_length=20, blank=True)
    need_mm = models.DecimalField(max_digits=6, decimal_places=2, null=True)  # greatest error within the standard then
    within = models.BooleanField(null=True)  # null: nothing sets a limit
    consequence = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["id"]
        constraints = [models.UniqueConstraint(fields=["remeasure", "quantity", "eye"], name="one_comparison_each")]

    @property
    def difference(self) -> Decimal:
        """Theirs minus the supervisor's, mm."""
        return self.theirs - self.ours


class Goal(models.Model):
    """What a supervisor and a trainee have agreed to work on."""

    trainee = models.ForeignKey(Staff, on_delete=models.PROTECT, related_name="goals")
    text = models.CharField(max_length=300)
    due_on = models.DateField(null=True, blank=True)
    set_by = models.ForeignKey(Staff, on_delete=models.PROTECT, related_name="+")
    set_at = models.DateTimeField()
    met_at = models.DateTimeField(null=True, blank=True)
    met_by = models.ForeignKey(Staff, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    dropped_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["met_at", "due_on", "id"]


class Presence(models.Model):
    """Who has a sheet open, so that two people on one dispense see each other. Kept for a minute; no record of anything."""

    dispense = models.ForeignKey(Dispense, on_delete=models.CASCADE, related_name="presences")
    staff = models.ForeignKey(Staff, on_delete=models.CASCADE, related_name="+")
    part = models.CharField(max_length=16, blank=True)
    seen_at = models.DateTimeField()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["dispense", "staff"], name="one_presence_each")]


# kept in a module of their own, found by Django through this one
from dispensing.models_catalogue import FrameStock as FrameStock  # noqa: E402
from dispensing.models_catalogue import ImportChunk as ImportChunk  # noqa: E402
from dispensing.models_catalogue import ImportJob as ImportJob  # noqa: E402
from dispensing.models_catalogue import ImportLine as ImportLine  # noqa: E402
from dispensing.models_catalogue import ImportMapping as ImportMapping  # noqa: E402
from dispensing.models_catalogue import TracedOutline as TracedOutline  # noqa: E402
