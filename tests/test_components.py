"""Connected components, held against those of scipy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from auditor.components import components


@pytest.mark.parametrize("links", [0, 1, 40, 100, 400])
def test_components_are_those_of_scipy(links):
    rng = np.random.default_rng(links)
    first, second = rng.integers(0, 100, (2, links))
    graph = coo_matrix((np.ones(links), (first, second)), shape=(100, 100))
    expected = connected_components(graph, directed=False)[1]
    np.testing.assert_array_equal(components(100, first, second), expected)


def test_a_long_chain_is_one_component():
    rng = np.random.default_rng(0)
    order = rng.permutation(10_000)
    assert not components(10_000, order[1:], order[:-1]).any()
