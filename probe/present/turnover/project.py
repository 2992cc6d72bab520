"""Project: what a report says that no record knows: the user's project, numbers, logo, people, own texts.

    format: buswitness-project/1
    project: New switchgear for the high service pumps
    number: P-2417
    document: TH-E-0417
    revision: A
    client: Tarn Hollow Water Works
    contractor: Alder Bay Electric
    logo: logo.svg
    texts: german.yaml
    tested_by: {name: A. Tester, company: Alder Bay Electric}
    attachments:
      - {file: nameplate-52-M1.jpg, title: Nameplate of 52-M1}

Files are named relative to this one. Everything but ``format`` may be left out.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from probe.model.device_map import Line, Strict
from probe.model.document import Document, parse
from probe.model.errors import InputError, Problem
from probe.model.shape import must_fit

FORMAT = "buswitness-project/1"

#: File name endings of logos, and what they are.
LOGOS = {".svg": "image/svg+xml", ".png": "image/png", ".jpg": "image/jpeg", ".jpeg": "image/jpeg"}


class Person(Strict):
    """Somebody who signs."""

    name: Annotated[Line | None, Field(description="Name, printed in the signature block.")] = None
    company: Annotated[Line | None, Field(description="Company or department.")] = None


class Attachment(Strict):
    """A file that is to be embedded in the PDF: a photograph, a curve, a drawing."""

    file: Annotated[Line, Field(description="File, relative to this one.")]
    title: Annotated[Line, Field(description="What it shows.")]


class Project(Strict):
    """The project file of a report."""

    format: Annotated[Literal["buswitness-project/1"], Field(description="Name and version of this format.")]
    project: Annotated[Line | None, Field(description="Name of the project.")] = None
    number: Annotated[Line | None, Field(description="Project number.")] = None
    document: Annotated[Line | None, Field(description="Document number.")] = None
    revision: Annotated[Line | None, Field(description="Revision of the document.")] = None
    client: Annotated[Line | None, Field(description="For whom.")] = None
    contractor: Annotated[Line | None, Field(description="By whom.")] = None
    logo: Annotated[Line | None, Field(description="Picture for the cover: SVG, PNG or JPEG.")] = None
    texts: Annotated[
        Line | None, Field(description="File with the document's texts in another language.")
    ] = None
    tested_by: Annotated[Person, Field(description="Who tested.")] = Person()
    witnessed_by: Annotated[Person, Field(description="Who watched.")] = Person()
    accepted_by: Annotated[Person, Field(description="Who accepts.")] = Person()
    attachments: Annotated[
        tuple[Attachment, ...], Field(max_length=200, description="Files to embed in the PDF.")
    ] = ()


NO_PROJECT = Project(format="buswitness-project/1")


def project_from(name: str, data: bytes) -> tuple[Project, Document]:
    """The project that the bytes describe, and where its values stand. Raises InputError."""
    document = parse(name, data)
    project = must_fit(document, Project)
    problems = list(_problems(project, document))
    if problems:
        raise InputError(problems)
    return project, document


def _problems(project: Project, document: Document) -> list[Problem]:
    if project.logo is None or logo_type(project.logo):
        return []
    return [
        document.problem(
            ("logo",),
            "a logo of this type cannot be used",
            found=project.logo,
            allowed=" ".join(LOGOS),
            remedy="save it as SVG or PNG",
        )
    ]


def logo_type(name: str) -> str:
    """The media type of a logo by its name; empty if it is none of ours."""
    return next((kind for ending, kind in LOGOS.items() if name.lower().endswith(ending)), "")
