"""The known cast: people, places and things that tests share. Invented, like the demo."""

from __future__ import annotations

import io
from datetime import date
from decimal import Decimal

import factory
from django.contrib.auth.hashers import make_password
from django.utils import timezone
from PIL import Image

from dispensing import models as d
from orders import models as o
from practice import models as p

PASSWORD = "heron over saltmarsh"


class GroupFactory(factory.django.DjangoModelFactory):
    class Meta:
        model = p.Group

    name = factory.Sequence(lambda n: f"Estuary Opticians {n}")


class BranchFactory(factory.django.DjangoModelFactory):
    class Meta:
        model = p.Branch

    group = factory.SubFactory(GroupFactory)
    name = factory.Sequence(lambda n: f"Saltmarsh {n}")
    code = factory.Sequence(lambda n: f"S{n}")
    address = "4 Ropewalk, Saltmarsh"


class StaffFactory(factory.django.DjangoModelFactory):
    class Meta:
        model = p.Staff

    group = factory.SubFactory(GroupFactory)
    username = factory.Sequence(lambda n: f"person{n}")
    first_name = "Wren"
    last_name = factory.Sequence(lambda n: f"Adeyemi-Holt {n}")
    password = factory.LazyFunction(lambda: make_password(PASSWORD))


class ClientFactory(factory.django.DjangoModelFactory):
    class Meta:
        model = p.Client

    branch = factory.SubFactory(BranchFactory)
    group = factory.SelfAttribute("branch.group")
    given_name = "Marisol"
    family_name = factory.Sequence(lambda n: f"Oakhurst-Tane {n}")
    date_of_birth = date(1961, 3, 12)


class FrameFactory(factory.django.DjangoModelFactory):
    class Meta:
        model = d.CatalogueFrame

    group = factory.SubFactory(GroupFactory)
    code = factory.Sequence(lambda n: f"TERN-{n}")
    maker = "Quaylight"
    model = "Tern 412"
    colour = "horn"
    a, b, dbl, ed, side = Decimal("52"), Decimal("40"), Decimal("18"), Decimal("54"), Decimal("145")
    mount = "full_rim"
    material = "acetate"
    front_curve = Decimal("4.00")
    face_form_deg = Decimal("5")


class MaterialFactory(factory.django.DjangoModelFactory):
    class Meta:
        model = d.LensMaterial

    group = factory.SubFactory(GroupFactory)
    code = factory.Sequence(lambda n: f"M160-{n}")
    name = "1.60 resin"
    nd, abbe, density = Decimal("1.592"), Decimal("41"), Decimal("1.30")
    impact, drilled, grooved = "good", "good", "good"


class LensFactory(factory.django.DjangoModelFactory):
    class Meta:
        model = d.CatalogueLens

    group = factory.SubFactory(GroupFactory)
    code = factory.Sequence(lambda n: f"RIDGE13-{n}")
    maker = "Fellwater"
    name = "Ridgeway 13"
    family = "progressive"
    corridor_mm, min_height_mm, min_above_mm = Decimal("13"), Decimal("17"), Decimal("10")
    cross_above_prism_point_mm = Decimal("4")
    add_min, add_max = Decimal("0.75"), Decimal("3.50")


class OptionFactory(factory.django.DjangoModelFactory):
    class Meta:
        model = d.LensOption

    lens = factory.SubFactory(LensFactory)
    material = factory.SubFactory(MaterialFactory, group=factory.SelfAttribute("..lens.group"))
    sphere_min, sphere_max, cylinder_max, prism_max = Decimal("-12"), Decimal("8"), Decimal("6"), Decimal("6")
    blank_diameters = [65, 70, 75]
    min_centre_mm = Decimal("1.2")
    min_edge_full_mm, min_edge_grooved_mm, min_edge_drilled_mm = Decimal("1.0"), Decimal("1.8"), Decimal("2.0")


class LabFactory(factory.django.DjangoModelFactory):
    class Meta:
        model = o.Lab

    group = factory.SubFactory(GroupFactory)
    code = factory.Sequence(lambda n: f"TIDE{n}")
    name = "Tideglass Surfacing"


def small_jpeg(width: int = 640, height: int = 480) -> bytes:
    written = io.BytesIO()
    Image.new("RGB", (width, height), (198, 176, 160)).save(written, "JPEG")
    return written.getvalue()


class PhotographFactory(factory.django.DjangoModelFactory):
    class Meta:
        model = d.Photograph

    image = factory.LazyFunction(small_jpeg)
    width, height = 640, 480
    sha256 = "0" * 64
    added_at = factory.LazyFunction(timezone.now)


class Cast:
    """One branch with everybody a test needs, and a second group that must never be seen."""

    def __init__(self) -> None:
        self.branch = BranchFactory(code="SM")
        self.group = self.branch.group
        self.other_branch = BranchFactory(group=self.group, code="HB", name="Harbour")
        self.supervisor = self._staff("supervisor", "S-20417")
        self.second_supervisor = self._staff("supervisor", "S-20433")
        self.trainee = self._staff("trainee", supervisor=self.supervisor)
        self.dispenser = self._staff("dispenser", "D-11873")
        self.unregistered = self._staff("dispenser")
        self.manager = self._staff("manager")
        self.elsewhere = StaffFactory(group=self.group, registration_number="D-11900")
        p.Post.objects.create(staff=self.elsewhere, branch=self.other_branch, role="dispenser")
        self.client = ClientFactory(branch=self.branch)
        self.frame = FrameFactory(group=self.group)
        self.lens = LensFactory(group=self.group)
        self.option = OptionFactory(lens=self.lens)
        self.single = LensFactory(
            group=self.group,
            code="SV",
            name="Plainview",
            family="single_vision",
            corridor_mm=None,
            min_height_mm=None,
            min_above_mm=None,
            add_min=None,
            add_max=None,
        )
        self.single_option = OptionFactory(lens=self.single, material=self.option.material)
        self.lab = LabFactory(group=self.group)
        self.foreign_branch = BranchFactory(code="FX")
        self.foreigner = StaffFactory(group=self.foreign_branch.group, registration_number="F-1")
        p.Post.objects.create(staff=self.foreigner, branch=self.foreign_branch, role="manager")
        self.foreign_client = ClientFactory(branch=self.foreign_branch)
        self.foreign_lab = LabFactory(group=self.foreign_branch.group)

    def _staff(self, role: str, number: str = "", supervisor: p.Staff | None = None) -> p.Staff:
        person = StaffFactory(group=self.group, registration_number=number)
        p.Post.objects.create(staff=person, branch=self.branch, role=role, supervisor=supervisor)
        return person
