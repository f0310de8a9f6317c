"""Scripts: the scripts that printed documents can show here, tested with a few letters each."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from kitwright.documents.fonts import Fonts, Source
from kitwright.documents.printable import letters

# from memory: letters that names in each script are full of, and some that only wide fonts have
SAMPLES: Final = {
    "Latin": "AzÅçéğłñőøșßťůÿẞ Ạảấợỹ Ɓƙɣ",
    "Greek": "ΑαΆέΐϊώ Ἀῷᾳ",
    "Cyrillic": "АяЁёЄїўџѝ ӘғқңөұҺ Ԥԥ",
    "Armenian": "ԱֆՃխև",
    "Georgian": "აბგდევზთჰ",
    "Hebrew": "אבגדםןץקרת שָׁלוֹם",
    "Arabic": "ابتثجحخدرزسشصضطظعغفقكلمنهوي ءأإؤئةى",
    "Persian and Urdu": "پچژگکی ٹڈڑںھہے",
    "Devanagari": "अआइकखगघचटतनपमयरलवशह हिन्दी",
    "Bengali": "অআকখগঘচটতনপমযরলহ বাংলা",
    "Gurmukhi": "ਅਆਕਖਗਚਟਤਨਪਮਰਲਵਸਹ ਪੰਜਾਬੀ",
    "Gujarati": "અઆકખગચટતનપમરલવસહ ગુજરાતી",
    "Tamil": "அஆகஙசஞடணதநபமயரலவ தமிழ்",
    "Telugu": "అఆకఖగచటతనపమయరలవ తెలుగు",
    "Kannada": "ಅಆಕಖಗಚಟತನಪಮಯರಲವ ಕನ್ನಡ",
    "Malayalam": "അആകഖഗചടതനപമയരലവ മലയാളം",
    "Sinhala": "අආකගචටතනපමයරලවසහ සිංහල",
    "Thai": "กขคงจชดตนบปพมยรลวสหอ ไทย",
    "Lao": "ກຂຄງຈຊດຕນບປພມຍຣລວສຫອ ລາວ",
    "Khmer": "កខគងចឆដតនបពមយរលវសហអ ខ្មែរ",
    "Burmese": "ကခဂငစတနပမယရလဝသဟအ မြန်မာ",
    "Ethiopic": "ሀለሐመሠረሰቀበተነአከወዘየደገጠፈ",
    "Japanese": "あいうえおかんアイウエオカン山田太郎鈴木髙﨑",
    "simplified Chinese": "张王李刘陈杨赵黄周吴们这国",
    "traditional Chinese": "張劉陳楊趙黃吳們這國臺灣",
    "Korean": "가나다라마바사김이박최정한국",
}
"""Name of a script -> letters that are asked for."""


def scripts(fonts: Fonts) -> dict[Source, tuple[str, ...]]:
    """Return the scripts by source; a script belongs to the last source that it needs."""
    sources = fonts.sources(SAMPLES.values())
    furthest = {
        name: max(sources[letter] for letter in letters(sample)) for name, sample in SAMPLES.items()
    }
    return {
        source: tuple(name for name, one in furthest.items() if one is source) for source in Source
    }


def told_scripts(fonts: Fonts) -> Iterator[tuple[str, str]]:
    """Yield remarks about scripts in printed documents, each a stable code and a sentence."""
    found = scripts(fonts)
    own, machine, nowhere = (", ".join(found[source]) for source in Source)
    also = f"; from this machine's fonts: {machine}" if machine else ""
    yield "scripts-printed", f"printed documents show {own}{also}"
    if nowhere:
        yield (
            "scripts-not-printed",
            f"no font here for {nowhere}: printed documents put a mark for each letter; install "
            "fonts if customers' names need them",
        )
