"""All fuzzers there are, by name."""

from __future__ import annotations

from fuzz import answers, api, configuration, documents, pages, texts, webhooks
from fuzz.running import Fuzzer

FUZZERS: dict[str, Fuzzer] = {
    fuzzer.name: fuzzer
    for module in (documents, configuration, answers, texts, webhooks, pages, api)
    for fuzzer in module.FUZZERS
}
