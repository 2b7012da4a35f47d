"""Profiles, tags and security labels as sets.

Source: R4 operations Resource-meta-add and Resource-meta-delete: "duplicates are not created", a
tag or label is identified by system and code, "it is not an error if these do not exist".
"""

from service.fhir.labels import with_labels, without_labels

HOME = {"system": "https://clinic.example/tag", "code": "home", "display": "At home"}
AWAY = {"system": "https://clinic.example/tag", "code": "away"}
RESOURCE = {"resourceType": "Basic", "id": "b1", "meta": {"versionId": "2", "tag": [HOME]}}


def test_a_label_that_is_there_is_not_added_again_whatever_its_display() -> None:
    other_words = HOME | {"display": "Home", "version": "3"}
    found = with_labels(RESOURCE, {"tag": [other_words, AWAY, AWAY], "profile": ["p", "p"]})
    assert found["meta"] == {"versionId": "2", "tag": [HOME, AWAY], "profile": ["p"]}
    assert RESOURCE["meta"]["tag"] == [HOME], "what was given is not changed"


def test_a_label_of_another_system_is_another_label() -> None:
    bare = {"code": "home"}
    assert with_labels(RESOURCE, {"tag": [bare]})["meta"]["tag"] == [HOME, bare]
    assert without_labels(RESOURCE, {"tag": [bare]}) == RESOURCE


def test_labels_are_taken_away_and_what_is_not_there_is_no_error() -> None:
    gone = without_labels(RESOURCE, {"tag": [{k: HOME[k] for k in ("system", "code")}, AWAY]})
    assert gone["meta"] == {"versionId": "2"}
    assert without_labels(RESOURCE, {"security": [HOME], "profile": ["p"]}) == RESOURCE
