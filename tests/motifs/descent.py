"""Weights of small networks, learned by descent on what is read in fragments whose truth is known."""

import numpy as np

N_BATCH = 1000
RATE = 4e-3


def learned(
    signs: np.ndarray, target: np.ndarray, *, n_hidden: int, n_epochs: int, decay: float
) -> dict[str, np.ndarray]:
    """Centres and scales of the signs (n, m), and the weights of one hidden layer, by Adam on the logistic loss.

    Parameters
    ----------
    target : (n, k) array
        Which of k classes each is.
    """
    rng = np.random.default_rng(2)
    centres, scales = signs.mean(0), signs.std(0) + 1e-6
    x, (n, n_classes) = (signs - centres) / scales, (signs.shape[1], target.shape[1])
    start = [*layer(rng, n, n_hidden), *layer(rng, n_hidden, n_classes, gain=1.0)]
    hidden, offsets, last, last_offsets = descended(
        start, lambda some, now: slopes_of(x[some], target[some], now, decay), len(x), n_epochs, rng
    )
    weights = {"CENTRES": centres, "SCALES": scales, "HIDDEN": hidden, "HIDDEN_OFFSETS": offsets}
    return {**weights, "LAST": last, "LAST_OFFSETS": last_offsets}


def layer(rng: np.random.Generator, n_in: int, n_out: int, gain: float = 2.0) -> list[np.ndarray]:
    """Weights (n_in, n_out) and offsets (n_out,) to begin with."""
    return [rng.normal(0.0, np.sqrt(gain / n_in), (n_in, n_out)), np.zeros(n_out)]


def descended(
    now: list[np.ndarray], slopes, n: int, n_epochs: int, rng: np.random.Generator, *, n_batch: int = N_BATCH
) -> list[np.ndarray]:
    """Weights after Adam, the rate falling to 0 along a cosine; `slopes(places, weights)` are those of some samples.

    References
    ----------
    Kingma, D. P., Ba, J. (2015) Adam: a method for stochastic optimization. ICLR; arXiv:1412.6980.
    """
    first, second = [np.zeros_like(k) for k in now], [np.zeros_like(k) for k in now]
    step = 0
    for epoch in range(n_epochs):
        order = rng.permutation(n)
        rate = RATE * 0.5 * (1.0 + float(np.cos(np.pi * epoch / n_epochs)))
        for start in range(0, n, n_batch):
            step += 1
            for k, slope in enumerate(slopes(order[start : start + n_batch], now)):
                first[k] = 0.9 * first[k] + 0.1 * slope
                second[k] = 0.999 * second[k] + 0.001 * slope**2
                size = first[k] / (1 - 0.9**step)
                now[k] = now[k] - rate * size / (np.sqrt(second[k] / (1 - 0.999**step)) + 1e-8)
    return now


def slopes_of(x: np.ndarray, target: np.ndarray, now: list[np.ndarray], decay: float) -> list[np.ndarray]:
    """Slopes of the mean logistic loss along each of the weights."""
    hidden, offsets, last, last_offsets = now
    inner = x @ hidden + offsets
    active = np.maximum(inner, 0.0)
    wrong = (probabilities(active @ last + last_offsets) - target) / len(x)
    back = (wrong @ last.T) * (inner > 0.0)
    return [x.T @ back + decay * hidden, back.sum(0), active.T @ wrong + decay * last, wrong.sum(0)]


def probabilities(odds: np.ndarray) -> np.ndarray:
    """Of each class (n, k), by log odds."""
    share = np.exp(odds - odds.max(1, keepdims=True))
    return share / share.sum(1, keepdims=True)


def as_module(weights: dict[str, np.ndarray], *, what: str, script: str) -> str:
    lines = [f'"""How the signs of {what} are weighed: made by `tests/motifs/{script}`, not by hand."""', ""]
    lines += ["# ruff: noqa: E501", "# fmt: off", "import numpy as np"]
    for name, values in weights.items():
        rows = ["    (" + ", ".join(f"{v:.4g}" for v in row) + ")," for row in np.atleast_2d(values)]
        lines += ["", f"{name} = np.array((", *rows, "), np.float32)" + ("" if values.ndim > 1 else "[0]")]
    return "\n".join(lines) + "\n"
