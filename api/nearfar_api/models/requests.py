"""What comes in over the wire, checked before anything is done with it."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from nearfar.jobs import Duplicates, ServerState
from nearfar.object_tables import address_of

LONGEST_NAME = 255
"""Bytes of a name in a file system (NAME_MAX of Linux)."""
MOST_FRAMES = 10_000


def _name(value: str) -> str:
    if "\0" in value or "/" in value:
        raise ValueError("a name may hold any character but NUL and '/'")
    if not value.strip() or value in {".", ".."}:
        raise ValueError("this is not a name; write at least one visible character, and neither '.' nor '..'")
    if len(value.encode()) > LONGEST_NAME:
        raise ValueError(
            f"the name has {len(value.encode())} bytes in UTF-8; at most {LONGEST_NAME} are possible"
        )
    return value


def _frame_name(value: str) -> str:
    if _name(value).casefold().endswith(".part"):
        raise ValueError(
            "names that end in '.part' are kept for frames that are still arriving; give another"
        )
    return value


def _words(value: str) -> str:
    if "\0" in value:
        raise ValueError("a text cannot contain NUL")
    return value


Name = Annotated[str, Field(min_length=1, max_length=LONGEST_NAME), AfterValidator(_name)]
FrameName = Annotated[str, Field(min_length=1, max_length=LONGEST_NAME), AfterValidator(_frame_name)]
Words = Annotated[str, Field(max_length=1000), AfterValidator(_words)]
Owner = Annotated[str, Field(min_length=1, max_length=100, pattern=r"^[^\x00]*\S[^\x00]*$")]


def _address(value: str) -> str:
    address_of(_words(value))
    return value


ObjectsText = Annotated[str, Field(min_length=6, max_length=1024), AfterValidator(_address)]
PathText = Annotated[str, Field(min_length=1, max_length=4096), AfterValidator(_words)]
Priority = Annotated[int, Field(ge=-9, le=9)]


class _In(BaseModel):
    """Base of what comes in: unknown keys are refused."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class MergeSettings(_In):
    """What goes before the recipe."""

    reference: FrameName | None = Field(
        default=None, description="Name of the frame whose geometry the picture takes."
    )
    leave_out: list[FrameName] | None = Field(
        default=None, max_length=MOST_FRAMES, description="Names of frames to leave out."
    )
    recipe_toml: str | None = Field(default=None, max_length=65536, description="Text of a recipe, as TOML.")

    def given(self) -> dict[str, Any]:
        """Those that say something."""
        return self.model_dump(exclude_none=True)


class UploadFrame(_In):
    """A frame that will be sent."""

    name: FrameName
    size: int = Field(ge=1, le=2**53, description="Bytes.")
    digest: str | None = Field(
        default=None, max_length=400, description="As in RFC 9530: `sha-256=:BASE64:`, sha-512 likewise."
    )


class NewJob(_In):
    """A stack to be merged: frames in a folder, by their paths, in a bucket, or frames that will be uploaded."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {"folder": "moss-on-slate", "recipe": "macro", "priority": 1},
                {
                    "stack": "moss on slate",
                    "upload": [
                        {
                            "name": "01.tif",
                            "size": 18,
                            "digest": "sha-256=:X48E9qOokqqrvdts8nOJRJN3OWDUoyWxBf7kbu9DBPE=:",
                        },
                        {"name": "02.tif", "size": 1048576},
                    ],
                },
            ]
        }
    )
    stack: Name | None = Field(default=None, description="The folder's name if not given.")
    folder: PathText | None = Field(
        default=None,
        description="Paths on the server: relative to the inbox, or absolute below a folder that it may read.",
    )
    frames: list[PathText] | None = Field(default=None, min_length=1, max_length=MOST_FRAMES)
    objects: ObjectsText | None = Field(
        default=None,
        description="`s3://bucket/prefix/`, from where the server fetches them; a bucket and prefix of its settings.",
    )
    upload: list[UploadFrame] | None = Field(default=None, min_length=1, max_length=MOST_FRAMES)
    recipe: Annotated[str, Field(min_length=1, max_length=100, pattern=r"^[^\x00/]+$")] = "standard"
    settings: MergeSettings = MergeSettings()
    owner: Owner | None = None
    priority: Priority = 0
    hold: bool = Field(default=False, description="Hold the job until it is released.")
    duplicates: Duplicates = Field(
        default=Duplicates.AGAIN,
        description="What to do with a set of frames that this owner submitted before.",
    )

    @model_validator(mode="after")
    def _one_way(self) -> NewJob:
        ways = ("folder", "frames", "objects", "upload")
        given = [name for name in ways if getattr(self, name) is not None]
        if len(given) != 1:
            found = " and ".join(given) or "none"
            raise ValueError(f"give one of folder, frames, objects and upload; found {found}")
        if self.upload is not None and self.stack is None:
            raise ValueError("an upload needs the name of its stack; give 'stack'")
        return self


class ChangeJob(_In):
    """What may be changed of a job."""

    priority: Priority


class Because(_In):
    """A reason, for the list and the trail."""

    reason: Words | None = None


class Again(_In):
    """What is to be otherwise; nothing: the same job runs again."""

    recipe: Annotated[str, Field(min_length=1, max_length=100, pattern=r"^[^\x00/]+$")] | None = None
    settings: MergeSettings | None = None
    leave_out: list[FrameName] | None = Field(default=None, max_length=MOST_FRAMES)
    use: list[FrameName] | None = Field(
        default=None,
        max_length=MOST_FRAMES,
        description="Names of frames to use that were left out, also if their light is another one.",
    )


class SetServer(_In):
    """What the workers are asked to do."""

    state: ServerState
