"""The pace of Python's garbage collector in commands that stay."""

import gc


def spare_models() -> None:
    """Let the collector leave alone what is there by now (modules, the schema's models), and come less often.

    Events and histories live until their commit or answer. At its usual pace the collector walks a window of them
    dozens of times, and all models with them: a third of what the recorder spends on an event, and more than half of
    the time of the slowest histories.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(20_000, 20, 20)
