"""Descriptions in TOML: read as a model, faults said in one line, and no file that takes very long."""

import time

import pytest
from pydantic import Field, field_validator, model_validator

from nf2ff.io.toml import MAX_DEPTH, MAX_PARTS, MAX_TOKEN, Table, checked, read_toml
from nf2ff.messages.input_error import InputError


class Leg(Table):
    """A table within."""

    name: str = Field("", description="a text of at most 9 letters", max_length=9)
    length_m: float = Field(description="a number above 0", gt=0)
    colour: str = Field("", description="a colour", repr=False)

    @field_validator("colour")
    @classmethod
    def _known(cls, value):
        if value not in ("", "red"):
            raise ValueError("red, what else")
        return value

    @model_validator(mode="after")
    def _whole(self):
        if self.name == "no":
            raise InputError("is called no", "call it something else")
        return self


class Stool(Table):
    """The whole file."""

    leg: list[Leg] = Field(description="1 to 3 tables [[leg]]", min_length=1, max_length=3)
    seat: Leg | None = Field(None, description="a table [seat]")
    cushion: dict[str, Leg] = Field({}, description="tables [cushion.NAME]")


@pytest.fixture
def refused(tmp_path):
    """Return a function that reads text, and gives the one line after the name of the file."""

    def read(text, model=Stool):
        path = tmp_path / "a.toml"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        with pytest.raises(InputError) as caught:
            read_toml(path, model) if model else read_toml(path)
        message = str(caught.value)
        assert "\n" not in message
        assert len(message) < 300 + len(str(path))
        return message.removeprefix(f"{path}: ")

    return read


def test_a_model_comes_back(tmp_path):
    path = tmp_path / "a.toml"
    path.write_text("[[leg]]\nlength_m = 1\n[seat]\nlength_m = 2.5\n[cushion.a]\nlength_m = 3\n")
    stool = read_toml(path, Stool)
    assert (stool.leg[0].length_m, stool.seat.length_m, stool.cushion["a"].length_m) == (1.0, 2.5, 3.0)
    assert read_toml(path)["seat"] == {"length_m": 2.5}
    assert checked(Leg, {"length_m": 2}, where="x") == Leg(length_m=2.0)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "key 'leg' is missing, expected 1 to 3 tables [[leg]]"),
        ("leg = [1]", "leg 1 is 1, expected a table"),
        ("leg = 1", "leg is 1, expected 1 to 3 tables [[leg]]"),
        ("[[leg]]\nlength_m = 0", "leg 1, length_m is 0, expected a number above 0"),
        ("[[leg]]\nlength_m = nan", "leg 1, length_m is nan, expected a number above 0"),
        ("[[leg]]\nlength_m = true", "leg 1, length_m is True, expected a number above 0"),
        (
            "[[leg]]\nlength_m = 1\n[seat]\nname = 'a'",
            "seat, key 'length_m' is missing, expected a number above 0",
        ),
        (
            "[[leg]]\nlength_m = 1\n[[leg]]\nname = 'b'\nlength = 1",
            "leg 2 ('b'), key 'length' is unknown, expected one of name, length_m: did you mean 'length_m'? "
            "(and 1 more error)",
        ),
        (
            "[[leg]]\nlength_m = 1\nlenght_m = 1",
            "leg 1, key 'lenght_m' is unknown, expected one of name, length_m: did you mean 'length_m'?",
        ),
        (
            "[[leg]]\nlength_m = 1\ncolour = 'blue'",
            "leg 1, colour is 'blue', expected red, what else",
        ),
        (
            "[[leg]]\nlength_m = 1\n[cushion.top]\nname = 'no'\nlength_m = 1",
            "cushion.top ('no'), is called no: call it something else",
        ),
        (
            "[[leg]]\nlength_m = 1\n[seat]\nname = 'no'\nlength_m = 1",
            "seat, is called no: call it something else",
        ),
    ],
)
def test_one_line_names_table_key_value_and_what_is_expected(refused, text, says):
    assert refused(text) == says


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("a = 1\nb =\n", "Invalid value (at line 2, column 4)"),
        (b"\xff", "'utf-8' codec can't decode byte 0xff in position 0: invalid start byte"),
        ("a = 1\0", "at line 1, column 6"),
        ("a = " + "[" * (MAX_DEPTH + 1) + "]" * (MAX_DEPTH + 1), "nested too deeply"),
        ("a = " + "{a=" * 40_000, "nested too deeply"),
        ("[" * 10**6, "nested too deeply"),
        ("a = 0x" + "1" * MAX_TOKEN, f"Exceeds the limit of {MAX_TOKEN} digits"),
        ("a = " + "1_" * 4000, f"Exceeds the limit of {MAX_TOKEN} digits"),
        ("a." * MAX_PARTS + "a = 1", f"a dotted key has more than {MAX_PARTS} parts: a.a"),
        # 60 kB of these would take ten seconds of tomllib's time.
        ("a." * 30_000 + "a = 1", "Exceeds the limit"),
        ('"a" . ' * 30_000 + "a = 1", "Exceeds the limit"),
        ("a = {" + "'a'." * 30_000 + "a = 1}", "Exceeds the limit"),
        ("[" + "a." * 30_000 + "a]", "Exceeds the limit"),
        # Strings without an end, each of whose quotation marks could begin one: 200 s if each is looked at.
        ('"""' + 'a\\"' * 100_000, "line 1, column 3"),
        ("'''" + "a'" * 100_000, "line 1, column 3"),
        ("\n".join(["a." * MAX_PARTS + "a = 1"] * 20_000), "a dotted key has more than"),
    ],
)
def test_what_is_no_toml_or_would_take_long(refused, text, reason):
    start = time.process_time()
    message = refused(text, None)
    assert message.startswith("is not TOML (")
    assert message.endswith("): correct it there")
    assert reason in message
    # Measured 0.1 s at most; ten seconds and more without the bounds.
    assert time.process_time() - start < 2


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("a = 'x\0'", r"a: a text holds a control character: '\x00' (at line 1)"),
        ('[item]\r\nname = "a\x1bb"', r"name: a text holds a control character: '\x1b' (at line 2)"),
        ('a = "x\x7f', r"a: a text holds a control character: '\x7f' (at line 1)"),
        ('a = """\nb\x07"""', r"a text holds a control character: '\x07' (at line 2)"),
        ('a = "\\u001b[2J"', r"a: a text holds a control character: '\x1b[2J'"),
        ('[[limit]]\nname = ["", "\\u0007"]', r"limit[1].name[2]: a text holds a control character: '\x07'"),
        ('"\\u202e" = {a = ["b"]}', r"the name of \u202e: a text holds a control character: '\u202e'"),
    ],
)
def test_a_control_character_is_named_with_its_key(refused, text, says):
    assert refused(text, None) == f"{says}: take it out there"


def test_a_text_without_its_end_is_no_control_character(refused):
    assert refused('a = "x\nb = 1', None).startswith("is not TOML (Illegal character")


def test_what_stands_in_strings_and_comments_is_free(tmp_path):
    path = tmp_path / "a.toml"
    dots, brackets = "a." * 200, "[{" * 200
    path.write_text(
        f'a = "{dots}{brackets}\\"" # {dots}{brackets} \'\n'
        f"b = '{dots}{brackets}\"' # {'x' * 2000}\n"
        f'c = """\n{dots}{brackets}"\\"""""  # "\n'
        f"d = '''\n{dots}''{brackets}''''\n"
        f"t = [{', '.join(['0.25'] * 2000)}]\n"
    )
    content = read_toml(path)
    assert content["a"] == dots + brackets + '"'
    assert content["b"] == dots + brackets + '"'
    assert content["c"] == f'{dots}{brackets}"""'
    assert content["d"] == f"{dots}''{brackets}'"
    assert content["t"] == [0.25] * 2000
