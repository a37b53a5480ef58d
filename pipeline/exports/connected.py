"""Connected components: which items belong together where some pairs of them do."""

from collections.abc import Iterable


def connected(pairs: Iterable[tuple[int, int]]) -> dict[int, int]:
    """Return for each item of these pairs the smallest item that it is connected with (disjoint-set forest with path halving)."""
    parent: dict[int, int] = {}

    def root(item: int) -> int:
        parent.setdefault(item, item)
        while parent[item] != item:
            parent[item] = parent[parent[item]]
            item = parent[item]
        return item

    for one, other in pairs:
        low, high = sorted((root(one), root(other)))
        parent[high] = low
    return {item: root(item) for item in list(parent)}
