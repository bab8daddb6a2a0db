"""A sequence of things that are large, each worked out when it is asked for."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import lru_cache
from typing import Generic, TypeVar, overload

Thing = TypeVar("Thing")


class FewHeld(Sequence[Thing], Generic[Thing]):
    """`made(0)`, `made(1)` and so on, of which only those asked for last are in memory.

    >>> squares = FewHeld(4, lambda number: number * number, held=2)
    >>> list(squares), squares[-1]
    ([0, 1, 4, 9], 9)
    """

    def __init__(self, number: int, made: Callable[[int], Thing], *, held: int) -> None:
        self._number = number
        self._made = lru_cache(maxsize=held)(made)

    def __len__(self) -> int:
        return self._number

    @overload
    def __getitem__(self, which: int) -> Thing: ...
    @overload
    def __getitem__(self, which: slice) -> Sequence[Thing]: ...
    def __getitem__(self, which: int | slice) -> Thing | Sequence[Thing]:
        if isinstance(which, slice):
            return [self._made(number) for number in range(self._number)[which]]
        return self._made(range(self._number)[which])
