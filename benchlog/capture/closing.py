"""What is closed at the end of a with block."""

from __future__ import annotations

from abc import ABC, abstractmethod
from types import TracebackType
from typing import Self

__all__ = ["Closing"]


class Closing(ABC):
    """Something that is open until the end of a ``with`` block."""

    __slots__ = ()

    @abstractmethod
    def close(self) -> None:
        """Close it; a second time does nothing."""

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        exc: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()
