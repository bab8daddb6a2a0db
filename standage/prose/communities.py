"""Which communities two or more stands share, in words."""

from __future__ import annotations

import pandas as pd

from standage.grammar import counted, listed


def community_sentences(stand_summary: pd.DataFrame) -> list[str]:
    """The communities with two and more stands; one alone in its community is called a stand."""
    stands = stand_summary.drop_duplicates("stand")
    named = stands[stands["community"].astype(str) != ""]
    shared = {
        str(name): list(members["stand"])
        for name, members in named.groupby("community", sort=False)
        if len(members) > 1
    }
    if not shared:
        return ["No community has two stands in this survey: stands are compared, not communities."]
    sentences = [
        f"The community {name} has {counted(len(members), 'stand')}: {listed(members)}."
        for name, members in shared.items()
    ]
    grouped = {stand for members in shared.values() for stand in members}
    alone = [stand for stand in stands["stand"] if stand not in grouped]
    if alone:
        verb = (
            "shares its community with no other and is"
            if len(alone) == 1
            else "share their communities with no other and are"
        )
        sentences.append(
            f"{listed(alone)} {verb} called by name: one stand does not show what its community is"
            " like."
        )
    return sentences
