"""Learn the weights of the listener from the sentence lists: `python -m tests.words.train`.

    python -m tests.words.train             write diagnose/words/weights.bin
    python -m tests.words.train --figures   cross-validation instead: by random parts, and each kind left out

Regularized logistic regression, solved by scikit-learn (its reference implementation, liblinear). The same lists give
the same weights: nothing is drawn at random but the parts of the cross-validation, from a fixed seed.
"""

from __future__ import annotations

import re
import sys
from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from scipy.sparse import csr_matrix, hstack, vstack
from sklearn.linear_model import LogisticRegression

from diagnose.knowledge import model as m
from diagnose.knowledge.load import load
from diagnose.words import stems
from diagnose.words.features import SIZE, Seen, features, place
from diagnose.words.hearing import COMMON, Listener, common_words
from diagnose.words.weights import FILE, Weights, encode
from tests.words.sentences_read import LISTS, Sentence, command_lines, complaint_phrases, read, rule_texts

COST = 30.0  # inverse strength of regularization, from cross-validation
SURE = 0.2  # probability from which a line is asked about; see docs/words.md for what other bounds would do
PARTS = 8
SEED = 5


def untrained(k: m.Knowledge) -> Listener:
    """A listener that has learned nothing, to see lines with."""
    return Listener(k, Weights([0] * SIZE, 1.0, 0.0, 0.0))


def common(sentences: Sequence[Sentence]) -> list[str]:
    """Words that harmless lines hold at least twice: no slips of the finger for something else."""
    many = Counter(w for s in sentences if not s.danger for w in set(re.findall(r"[a-z]+", s.text.lower())) if len(w) > 3)
    return sorted(w for w, n in many.items() if n > 1)


def lessons(k: m.Knowledge, listener: Listener) -> list[Sentence]:
    """What is learned beside the lists: texts of the rule base in which no phrase of danger stands."""
    texts = [*rule_texts(k), *complaint_phrases(k), *command_lines(k)]
    calm = [t for t in dict.fromkeys(texts) if not any(not h.denied for h in listener.seen(t).hits)]
    return [Sentence(False, ("rule-base",), t) for t in calm]


def matrix(seen: Sequence[Seen]) -> Any:
    """Features of lines, one row each."""
    starts, columns, values = [0], [], []
    for line in seen:
        for name, value, _ in features(line):
            columns.append(place(name))
            values.append(value)
        starts.append(len(columns))
    return csr_matrix((values, columns, starts), shape=(len(seen), SIZE))


def fit(x: Any, y: Any, weight: Any) -> LogisticRegression:
    """The model of some rows, each with its weight."""
    return LogisticRegression(C=COST, solver="liblinear", random_state=0, max_iter=300).fit(x, y, weight)


def weigh(sentences: Sequence[Sentence]) -> Any:
    """A text of the rule base counts twice: the program itself prints it."""
    return np.array([2.0 if s.kinds == ("rule-base",) else 1.0 for s in sentences])


def learned_from(k: m.Knowledge) -> tuple[list[Sentence], Any, Any, Any]:
    """The sentences, their features, whether each tells danger, and how much each counts."""
    listener = untrained(k)
    sentences = [s for name in LISTS for s in read(name)] + lessons(k, listener)
    return sentences, matrix([listener.seen(s.text) for s in sentences]), np.array([s.danger for s in sentences]), weigh(sentences)


def learn(k: m.Knowledge) -> bytes:
    """The content of the weights file."""
    _, x, y, weight = learned_from(k)
    model = fit(x, y, weight)
    return content(model.coef_[0], float(model.intercept_[0]))


def content(weights: Any, bias: float) -> bytes:
    """Weights and bias as they are kept."""
    scale = float(np.abs(weights).max()) / 127
    return encode([int(n) for n in np.rint(weights / scale)], scale, bias, SURE)


def optimum(x: Any, y: Any, weight: Any, start: Any, steps: tuple[float, ...] = (0.7, 0.02)) -> tuple[Any, float]:
    """(weights with the bias last, how far from the best ones they are at most), by Newton's method from a good `start`.

    What `fit` minimizes is half the squared length of all numbers, the bias included, plus COST times the weighed
    logistic losses. Half a squared length alone is strongly convex with constant 1, so the distance to the minimum is
    at most the length of the gradient (Boyd and Vandenberghe, Convex Optimization, 9.1.2). Each step solves for the
    Newton direction by preconditioned conjugate gradients until the residual is shorter than one of `steps`.
    """
    used = np.append(np.bincount(x.indices, minlength=x.shape[1]) > 0, True)  # what no line shows has weight 0
    rows = csr_matrix(hstack([x, np.ones((x.shape[0], 1))]))[:, np.flatnonzero(used)]
    columns = csr_matrix(rows.T)
    squares = columns.multiply(columns).tocsr()
    sign, at = np.where(y, 1.0, -1.0), np.asarray(start, dtype=float)[used]

    def gradient(at: Any) -> tuple[Any, Any]:
        wrong = 1 / (1 + np.exp(sign * (rows @ at)))
        return at - COST * (columns @ (weight * wrong * sign)), wrong

    for shortest in steps:
        slope, wrong = gradient(at)
        bend = COST * weight * wrong * (1 - wrong)
        scaled = 1 / (1 + squares @ bend)
        step, rest = np.zeros_like(at), -slope
        along = scaled * rest
        product = float(rest @ along)
        while np.linalg.norm(rest) > shortest:
            turned = along + columns @ (bend * (rows @ along))
            far = product / float(along @ turned)
            step, rest = step + far * along, rest - far * turned
            before, product = product, float(rest @ (scaled * rest))
            along = scaled * rest + product / before * along
        at = at + step
    found = np.zeros(len(used))
    found[used] = at
    return found, float(np.linalg.norm(gradient(at)[0]))


def stem_lines(k: m.Knowledge) -> str:
    """The content of the file of stems: every word of the rule base, and its stem by the stemmer."""
    texts = [str(value) for table in k if isinstance(table, Mapping) for value in table.values()]
    words = sorted({w for text in texts for w in re.findall(r"[a-z]{3,}", text.lower())})
    return "".join(f"{w} {stems.worked_out(w)}\n" for w in words)


def figures(k: m.Knowledge) -> None:
    """Print how well unseen sentences are heard: seen list in parts, then each kind left out."""
    listener = untrained(k)
    seen = read(LISTS[0])
    more = [s for name in LISTS[1:] for s in read(name)] + lessons(k, listener)
    x, x_more = (matrix([listener.seen(s.text) for s in rows]) for rows in (seen, more))
    y, y_more = (np.array([s.danger for s in rows]) for rows in (seen, more))
    weight, weight_more = weigh(seen), weigh(more)
    part = np.random.RandomState(SEED).randint(0, PARTS, len(seen))
    chance = np.zeros(len(seen))
    for n in range(PARTS):
        model = fit(vstack([x[part != n], x_more]), np.concatenate([y[part != n], y_more]), np.concatenate([weight[part != n], weight_more]))
        chance[part == n] = model.predict_proba(x[part == n])[:, 1]
    print(f"{len(seen)} seen sentences in {PARTS} parts, {len(more)} more to learn from")
    for bound in (0.1, 0.15, 0.2, 0.25, 0.3, 0.35, 0.4, 0.5):
        heard = chance >= bound
        print(f"  from {bound:.2f}: danger noticed {heard[y].mean():.3f}, false alarms {heard[~y].mean():.3f}")
    plain = np.array([any(not h.denied for h in listener.seen(s.text).hits) for s in seen])
    heard = (chance >= SURE)
    print(f"as shipped, from {SURE}: danger {heard[y].mean():.3f}, false alarms {heard[~y].mean():.3f}")
    print(f"phrases alone: danger {plain[y].mean():.3f}, false alarms {plain[~y].mean():.3f}")
    _by_kind("by kind, in parts", seen, heard)
    kinds = sorted({kind for s in seen + more for kind in s.kinds if kind not in ("-", "panel", "rule-base")})
    left = np.zeros(len(seen))
    for kind in kinds:
        rows = np.array([kind in s.kinds for s in seen])
        if rows.any():
            keep, keep_more = ~rows, np.array([kind not in s.kinds for s in more])
            model = fit(
                vstack([x[keep], x_more[keep_more]]), np.concatenate([y[keep], y_more[keep_more]]),
                np.concatenate([weight[keep], weight_more[keep_more]]),
            )
            left[rows] = model.predict_proba(x[rows])[:, 1]
    _by_kind("each kind left out of learning", seen, (left >= SURE), skip=("-", "panel"))


def _by_kind(title: str, seen: Sequence[Sentence], heard: Any, skip: Sequence[str] = ()) -> None:
    many: Counter[tuple[bool, str]] = Counter()
    hits: Counter[tuple[bool, str]] = Counter()
    for s, h in zip(seen, heard, strict=True):
        for kind in s.kinds:
            many[s.danger, kind] += 1
            hits[s.danger, kind] += int(h)
    print(title)
    for danger, kind in sorted(many, key=lambda row: (not row[0], row[1])):
        if kind not in skip:
            print(f"  {'danger  ' if danger else 'harmless'} {kind:20} {hits[danger, kind]:4} of {many[danger, kind]:4} heard")


def main(words: Sequence[str]) -> int:
    """Write the weights, or print figures."""
    k = load(cache=False)
    if "--figures" in words:
        figures(k)
    else:
        COMMON.write_text("\n".join(common([s for name in LISTS for s in read(name)])) + "\n", encoding="utf-8")
        common_words.cache_clear()
        stems.FILE.write_text(stem_lines(k), encoding="ascii")
        FILE.write_bytes(learn(k))
        print(f"{FILE.name}: {FILE.stat().st_size} bytes")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
