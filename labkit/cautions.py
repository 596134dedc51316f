"""The usual cautions, shown where they apply: common practice in workshops and tastings, not legal advice."""

from types import MappingProxyType

CAUTIONS = MappingProxyType({
    "Hot wax": "It burns skin and can catch fire. Melt in a water bath, never on direct heat, never unattended, with "
               "no water in the pot. A microwave heats fat unevenly and can crack glass.",
    "Pigment powder": "Do not breathe it.",
    "Lip products": "They are swallowed: cosmetic-grade pigments listed for lip use in the country of sale, no craft "
                    "or technical grades.",
    "Testers": "Their consent first. Ask about allergies: bee products, nut butters, coconut, carmine, fragrance. "
               "Single-use applicators, no cold sores, no sharing; stop at any discomfort.",
    "Selling": "Local law decides on listing, labelling and safety assessment. Nothing here is legal advice; ask a "
               "qualified person.",
})
AT_THE_BENCH = ("Hot wax", "Pigment powder", "Lip products")
