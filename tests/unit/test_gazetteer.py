"""A typed address is found in a list as people mean it, and nothing is guessed."""

import pytest

from dispatch.gazetteer import Entry, Gazetteer, address_key, pin_line
from shared.model import Place


def entry(street: str, number: str, north: int, town: str = "Hafton") -> Entry:
    """Return a house; its latitude says which one was found."""
    postcode = "AB1 2CD" if town == "Hafton" else "AB9 9ZZ"
    return Entry(
        lat_deg=50 + north / 1000,
        lon_deg=8,
        street=street,
        number=number,
        postcode=postcode,
        town=town,
    )


LIST = Gazetteer(
    [
        entry("Mill Lane", "2", 2),
        entry("Mill Lane", "4", 4),
        entry("Mill Lane", "8", 8),
        entry("Mill Lane", "12a", 12),
        entry("Mill Lane", "4", 104, "Otherby"),
        entry("Hill Lane", "2", 22),
        entry("St Mary's Road", "3", 33),
        entry("Castlegate Street", "5", 55),
        entry("Castlegate Street", "7", 57),
        entry("Hauptstraße", "7", 77, "Grünau"),
        entry("Far Barton", "", 99),
        Entry(lat_deg=50.2, lon_deg=8, name="Central Station", town="Hafton"),
    ],
    credit="invented",
)


def found(address: str) -> list[int]:
    """Return which houses an address surely means."""
    matches = LIST.find(address)
    return [round(1000 * (m.place.lat_deg - 50)) for m in matches if m.sure]


def asked(address: str) -> dict[int, str]:
    """Return the houses that are asked back about, and why."""
    matches = LIST.find(address)
    assert not any(match.sure for match in matches)
    return {round(1000 * (m.place.lat_deg - 50)): m.why for m in matches}


@pytest.mark.parametrize(
    ("address", "house"),
    [
        ("4 Mill Lane, Hafton", 4),
        ("MILL LN. 4 HAFTON", 4),
        ("Mill Lane 8", 8),  # there is one 8 Mill Lane
        ("8 Mill Lane AB1 2CD", 8),
        ("8 Mill Lane, ab12cd Hafton", 8),
        ("Mill Lane 12 a", 12),
        ("12A Mill Lane", 12),
        ("Flat 3, 8 Mill Lane, Hafton", 8),
        ("4 Mill Lane, Otherby", 104),
        ("3 Saint Marys Rd", 33),
        ("3, St. Mary's Road", 33),
        ("Hauptstr. 7, Gruenau", 77),
        ("7 HAUPTSTRASSE GRÜNAU", 77),
        ("central station", 200),
        ("Far Barton, Hafton", 99),  # a farm: no house number is listed, none is typed
    ],
)
def test_case_signs_abbreviations_and_the_numbers_place_make_no_difference(
    address: str, house: int
) -> None:
    assert found(address) == [house]


@pytest.mark.parametrize(
    ("address", "house"),
    [
        ("8 Mil Lane, Hafton", 8),  # a letter too few
        ("8 Milll Lane, Hafton", 8),  # one too many
        ("8 Mlil Lane, AB1 2CD", 8),  # two swapped
        ("5 Castelgat St, Hafton", 55),  # two errors in a long name
        ("8 Mill Lane, Haftn", 8),  # in the town
    ],
)
def test_a_typing_error_is_read_over_where_town_or_postcode_confirm_it_and_said(
    address: str, house: int
) -> None:
    (match,) = LIST.find(address)
    assert found(address) == [house]
    assert match.why.startswith("read as ")


@pytest.mark.parametrize(
    ("address", "house", "why"),
    [
        ("5 Castelgate Street", 55, "no town or postcode is given"),
        ("8 Bill Lane, Hafton", 8, "written otherwise"),  # another first letter
        ("8 Mill Lane, Elsewhere", 8, "not all that was typed fits"),
        ("8 Mill Lane, AB9 9ZZ", 8, "postcode is another one"),
        ("6 Mill Lane, Hafton", 6, "reckoned between 4 and 8"),
        ("20 Mill Lane, Hafton", 12, "the nearest listed is 12a"),
        ("Mill Lane, Hafton", 8, "no house number was typed"),
        ("Far Barton 3", 99, "house numbers are not listed"),
        ("3 8 Mill Lane, Hafton", 8, "another number was typed as well"),
    ],
)
def test_what_is_not_surely_meant_is_asked_back_with_the_reason(
    address: str, house: int, why: str
) -> None:
    assert why in asked(address)[house]


def test_a_house_that_two_towns_have_is_either_of_them() -> None:
    assert sorted(found("4 Mill Lane")) == [4, 104]


def test_a_number_that_is_not_listed_lies_between_its_neighbours() -> None:
    # 6 lies halfway between 4 (50.004) and 8 (50.008).
    (first, *_) = LIST.find("6 Mill Lane, Hafton")
    assert first.place == Place(
        lat_deg=50.006, lon_deg=8, name="6 Mill Lane, AB1 2CD Hafton"
    )
    assert not first.sure


def test_a_street_that_exists_is_never_read_as_its_neighbour_with_that_number() -> None:
    # Hill Lane has no 4, Mill Lane has: who types Hill Lane may mean either.
    houses = asked("4 Hill Lane, Hafton")
    assert {4, 22} <= houses.keys()


@pytest.mark.parametrize("address", ["", "4", "Hafton", "9 Nowhere Road", "4 Mi"])
def test_what_is_in_no_list_is_not_found(address: str) -> None:
    assert LIST.find(address) == ()


def test_a_match_says_whose_data_it_is() -> None:
    (match,) = LIST.find("8 Mill Lane")
    assert match.credit == "invented"


def test_two_ways_of_writing_an_address_have_one_key_and_two_streets_do_not() -> None:
    assert address_key("Beacon Road 23, Hafton") == address_key("23, beacon rd. hafton")
    assert address_key("12 North St, West") != address_key("12 West St, North")


def test_a_pins_line_quotes_what_a_table_has_to() -> None:
    place = Place(lat_deg=50.5, lon_deg=-3.0, name="any")
    assert pin_line("4 Mill Lane, Hafton", place) == '"4 Mill Lane, Hafton",50.5,-3'
