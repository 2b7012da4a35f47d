"""Accept, Content-Type and Prefer, read as R4 http.html and RFC 9110 / 7240 have them."""

import pytest
from starlette.requests import Request

from service.api.headers import (
    CSV,
    FHIR_TYPES,
    HEADERS,
    Preference,
    check_accept,
    check_content_type,
    preference,
    wants_csv,
)
from service.api.outcomes import RestError


def request(query: str = "", **headers: str) -> Request:
    raw = [(name.replace("_", "-").encode(), value.encode()) for name, value in headers.items()]
    scope = {"type": "http", "headers": raw, "query_string": query.encode(), HEADERS: dict(raw)}
    return Request(scope)


@pytest.mark.parametrize(
    "accept",
    [
        "*/*",
        "application/*;q=0.8",
        "application/fhir+json",
        "Application/FHIR+JSON; fhirVersion=4.0",
        "text/html, application/json;q=0.1",
    ],
)
def test_json_in_any_of_its_names_can_be_had(accept: str) -> None:
    check_accept(request(accept=accept))


@pytest.mark.parametrize(
    "accept",
    [
        "application/fhir+xml",
        "text/html",
        "application/fhir+json;q=0",
        "application/fhir+json; fhirVersion=5.0",
    ],
)
def test_what_we_cannot_answer_is_refused(accept: str) -> None:
    with pytest.raises(RestError) as refused:
        check_accept(request(accept=accept))
    assert refused.value.status == 406


def test_the_format_parameter_goes_before_accept() -> None:
    check_accept(request("_format=json", accept="text/html"))
    check_accept(request("_format=application/fhir+json", accept="text/html"))
    with pytest.raises(RestError):
        check_accept(request("_format=xml", accept="application/fhir+json"))


def test_csv_only_where_it_is_offered() -> None:
    wanted = request(accept="text/csv")
    assert wants_csv(wanted)
    check_accept(wanted, FHIR_TYPES | {CSV})
    with pytest.raises(RestError):
        check_accept(wanted)


@pytest.mark.parametrize(
    "sent",
    ["text/plain", "application/fhir+xml", "", "application/json; charset=iso-8859-1"],
)
def test_a_body_in_another_form_is_refused(sent: str) -> None:
    with pytest.raises(RestError) as refused:
        check_content_type(request(content_type=sent))
    assert refused.value.status == 415


def test_a_body_in_json_is_taken_with_its_parameters() -> None:
    sent = 'application/fhir+json; charset="utf-8"; fhirVersion=4.0'
    assert check_content_type(request(content_type=sent)) == "application/fhir+json"


def test_preferences() -> None:
    assert preference(request()) == Preference(None, strict=False)
    assert preference(request(prefer="return=minimal; handling=strict")).strict
    assert preference(request(prefer='handling="lenient", return=minimal')).returns == "minimal"
    assert preference(request(prefer="wait=10; return=all")).returns is None
