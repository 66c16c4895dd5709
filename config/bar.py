"""How far work has come, as a bar on a terminal and nowhere else."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager


@contextmanager
def bar(name: str = "") -> Iterator[Callable[[float, str], None]]:
    """Yields what is told the share done and what is being done, of ``name`` if that is given."""
    from tqdm import tqdm

    shape = "{l_bar}{bar}| {elapsed}"
    with tqdm(total=100, bar_format=shape, leave=False, disable=None) as drawn:

        def tell(share: float, text: str) -> None:
            drawn.set_description_str(f"{name}: {text}" if name else text, refresh=False)
            drawn.update(100 * share - drawn.n)

        yield tell
