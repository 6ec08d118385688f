"""What may stand in `[plant.stocking]` and `[plant.reactor]`: figures that the simulator plays by.

The defaults are those of `weirsim.stocking` and `weirsim.gear`, which a test holds together.
"""

from typing import Annotated

from pydantic import Field

from weirwatch.config.values import Name, NotNegative, Section

Share = Annotated[float, Field(ge=0, le=1)]
Rate = Annotated[float, Field(gt=0, le=1000)]
Factor = Annotated[float, Field(gt=0, le=100)]


class StockingConfig(Section):
    """`[plant.stocking]`: what lives in the water, and what brings it oxygen."""

    uptake_mg_l_h: Annotated[float, Field(gt=0, le=20)] = Field(0.6, examples=[0.6])
    most_deficit_mg_l: Annotated[float, Field(gt=0, le=5)] = Field(1.2, examples=[1.2])
    sump_share: Share = Field(0.15, examples=[0.15])
    q10: Annotated[float, Field(ge=1, le=5)] = Field(2.0, examples=[2])
    daylight: Annotated[float, Field(ge=0, le=20)] = Field(2.35, examples=[2.35])
    half_mg_l: Factor = Field(0.3, examples=[0.3])
    loop_uptake_mg_l_h: Annotated[float, Field(gt=0, le=20)] = Field(1.0, examples=[1])
    still_cm_h: Rate = Field(0.7, examples=[0.7])
    stirred_cm_h: Rate = Field(4.0, examples=[4])
    weir_share: Share = Field(0.15, examples=[0.15])
    skimmer_share: Share = Field(0.6, examples=[0.6])
    weir_co2_share: Share = Field(0.15, examples=[0.15])
    skimmer_co2_share: Share = Field(0.6, examples=[0.6])
    calcification_dkh_day: Annotated[float, Field(ge=0, le=20)] = Field(1.0, examples=[1])
    light_enhancement: Factor = Field(3.0, examples=[3])
    excreted: Share = Field(0.02, examples=[0.02])
    nitrified_mg_l_h: NotNegative = Field(0.1, examples=[0.1])
    nitrify_half_mg_l: Factor = Field(0.2, examples=[0.2])
    decay_oxygen: NotNegative = Field(4.0, examples=[4])


class ReactorConfig(Section):
    """`[plant.reactor]`: the calcium reactor on its side loop."""

    loop: Name = Field("reactor", examples=["reactor"])
    chamber_l: Rate = Field(12.0, examples=[12])
    effluent_ml_min: Annotated[float, Field(gt=0, le=10_000)] = Field(95.0, examples=[95])
    gas_mmol_h: NotNegative = Field(28.0, examples=[28])
    dissolving_mol_h: NotNegative = Field(0.07, examples=[0.07])
    bottle_kg: Rate = Field(4.0, examples=[4])
