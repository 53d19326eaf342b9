"""The identity rule is the standard library's UUIDv5, and nothing else."""

import uuid

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fencemap.errors import LayerError
from fencemap.layers import CATALOGUE, layer, layers_of, uid, uids

SITE = uuid.UUID("11111111-2222-3333-4444-555555555555")


@given(st.lists(st.text(max_size=20), max_size=20))
def test_many_identities_are_those_of_the_standard_library(names):
    """The fast way gives what uuid.uuid5 gives (RFC 9562, version 5), for any name."""
    expected = [str(uuid.uuid5(SITE, f"2026/elements/{name}")) for name in names]
    assert uids(SITE, "2026", "elements", names) == expected
    assert [uid(SITE, "2026", "elements", name) for name in names] == expected


def test_rfc_9562_example():
    """RFC 9562 A.4: version 5 of www.example.com in the DNS namespace."""
    dns = uuid.UUID("6ba7b810-9dad-11d1-80b4-00c04fd430c8")
    assert str(uuid.uuid5(dns, "www.example.com")) == "2ed6657d-e927-568b-95e1-2665a8aea6a2"


def test_an_unknown_layer_is_an_error():
    """A layer that is not in the catalogue has no schema."""
    with pytest.raises(LayerError, match="not in the catalogue"):
        layer("fences")


def test_every_layer_begins_with_where_it_came_from():
    """uid, survey, file and row stand first in every layer."""
    for schema in CATALOGUE.values():
        assert schema.columns[:4] == ("uid", "survey_id", "source_file", "source_row"), schema.name


def test_stages_share_out_the_catalogue():
    """Each layer belongs to one stage."""
    stages = ("bring_in", "relate", "find", "plan")
    assert sum(len(layers_of(stage)) for stage in stages) == len(CATALOGUE)
