"""A word without its ending."""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache
from pathlib import Path
from typing import Any

FILE = Path(__file__).with_name("stems.txt")

# Forms that no ending tells.
_IRREGULAR = {
    form: word
    for word, forms in {
        "burn": "burnt", "melt": "molten", "smell": "smelt smelly stinky", "stink": "stank stunk", "smoke": "smoky smokey",
        "run": "ran", "drive": "drove driven", "strike": "struck stricken", "break": "broke broken broked", "tear": "tore torn",
        "bend": "bent", "blow": "blew blown", "hang": "hung", "fall": "fell fallen", "bite": "bit bitten", "sting": "stung",
        "throw": "threw thrown", "leave": "left", "lose": "lost", "catch": "caught", "split": "splitted", "come": "came",
        "go": "went gone", "get": "got gotten", "give": "gave given", "feel": "felt", "hear": "heard", "see": "saw seen",
        "back": "backed", "take": "took taken", "lean": "leant", "hurt": "hurting", "shine": "shone", "hit": "hitting",
        "keep": "kept", "shake": "shook shaken", "spit": "spat spitting", "steal": "stole stolen", "rip": "ript", "eat": "ate eaten",
        "die": "died dying dies", "lie": "lying laying lays lies", "freeze": "froze frozen", "bleed": "bled", "hot": "hotter hottest",
        "warm": "warmer warmest", "black": "blackish blacker blackened", "brown": "brownish browned", "man": "men", "woman": "women",
        "child": "children kids kid", "electric": "electrical electricity electrics", "electrocute": "electrocution electricuted",
        "dim": "dimmer dimming", "bright": "brighter brightly brightness", "make": "made", "stick": "stuck", "shoot": "shot",
        "vandal": "vandalism vandalised vandalized", "color": "colour coloured",
        "discolor": "discolour discoloured discolouring discolouration discoloration",
        "singe": "singeing singed", "wire": "wiring", "leak": "leaky leakage", "steam": "steamy steaming", 
        "flame": "flaming", "rub": "rubbing", "glow": "glowy", "ember": "embers", "crash": "crashed", "tingle": "tingly tingling",
        "sit": "sat", "stand": "stood", "find": "found", "hold": "held", "put": "putting", "say": "said", "think": "thought",
        "tell": "told", "become": "became", "begin": "began begun", "drown": "drowned", "sink": "sank sunk sunken", "swell": "swollen swelled",
        "soak": "soaking soaked", "wet": "wetter", "crackle": "crackly crackling", "fizz": "fizzy fizzing", "toast": "toasty",
        "char": "charred charring", "scar": "scarred", "tar": "tarred", "bare": "bared", "injure": "injury injuries injured",
    }.items()
    for form in forms.split()
}  # fmt: skip


@lru_cache(maxsize=1)
def _stemmer() -> Any:
    """The Porter2 stemmer of the Snowball project."""
    from snowballstemmer import stemmer  # type: ignore[import-untyped]

    return stemmer("english")


@lru_cache(maxsize=1)
def _shipped() -> dict[str, str]:
    """Stems of the words of the rule base, made by `python -m tests.words.train`: the stemmer is slow for thousands."""
    lines = FILE.read_text(encoding="ascii").splitlines() if FILE.exists() else []
    return dict(line.split(" ") for line in lines)


def written() -> Iterable[str]:
    """The words of the rule base's own texts: real words, not slips of the finger."""
    return _shipped()


def worked_out(word: str) -> str:
    """The stem that the stemmer gives a word of small letters."""
    return str(_stemmer().stemWord(word))


def stem(word: str) -> str:
    """A word in small letters without its ending, by whatever form: charging, charges -> charg; burnt -> burn; ran -> run."""
    return regular(_IRREGULAR.get(word, word))


@lru_cache(maxsize=20_000)
def regular(word: str) -> str:
    """A word in small letters without its ending: charging, charges, charged -> charg."""
    if len(word) < 3 or not word.isascii() or not word.isalpha():
        return word
    return _shipped().get(word) or worked_out(word)
