"""Water chemistry: free ammonia, what food becomes, alkalinity and oxygen. Pure functions of arrays or numbers.

Symbols of the sources stand in the docstrings; the references are listed in DEVELOPERS.md.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from pipeline.assumptions import Assumptions
from pipeline.calc.cells import Array, array
from pipeline.units import molar_masses

# -- free ammonia ----------------------------------------------------------------------------------


def ammonium_pka(temperature_c: ArrayLike, assumed: Assumptions) -> Array:
    """pKa of ammonium in fresh water at `temperature_c` [°C]: pKa = 0.09018 + 2729.92/T, T in kelvin.

    Emerson et al. 1975, J. Fish. Res. Board Can. 32:2379–2383, stated for 0–50 °C and zero ionic strength; outside
    that it is nan. Some copies misprint the second constant as 2727.92: pKa is then 0.007 low.
    """
    t = array(temperature_c)
    pka = assumed["emerson_a"] + assumed["emerson_b"] / (t + assumed["kelvin_offset"])
    return np.where((t >= assumed["emerson_low_c"]) & (t <= assumed["emerson_high_c"]), pka, np.nan)


def unionised_ammonia_fraction(ph: ArrayLike, temperature_c: ArrayLike, assumed: Assumptions) -> Array:
    """Share of total ammonia nitrogen that is free NH3, 0 to 1: f = 1/(1 + 10^(pKa − pH)).

    `temperature_c` [°C], 0–50, else nan. Fresh water only; errs high by under about 10 % in hard tap water, and an
    error of 0.1 in pH moves it by −20 to +26 %. Emerson et al. 1975.
    """
    exponent = np.clip(ammonium_pka(temperature_c, assumed) - array(ph), -300.0, 300.0)
    return np.asarray(1.0 / (1.0 + 10.0**exponent))


def free_ammonia_mg_l(
    ammonia_nh4_mg_l: ArrayLike, ph: ArrayLike, temperature_c: ArrayLike, assumed: Assumptions
) -> Array:
    """Free ammonia [mg/L NH3] from total ammonia [mg/L NH4], pH and temperature [°C].

    Total ammonia is first brought to nitrogen: a mole of it is a mole of N whichever form it has.
    """
    m = molar_masses(assumed)
    nitrogen = array(ammonia_nh4_mg_l) * m["N"] / m["NH4"]
    return np.asarray(nitrogen * unionised_ammonia_fraction(ph, temperature_c, assumed) * m["NH3"] / m["N"])


# -- what food becomes -----------------------------------------------------------------------------


@dataclass(frozen=True)
class Expected:
    """Nitrate that food is expected to make [mg/L NO3 per day], with its range. nan where litres are not known."""

    rise: Array
    low: Array
    high: Array


def nitrate_per_g_food(protein_pct: ArrayLike, share: ArrayLike, assumed: Assumptions) -> Array:
    """Nitrate [mg NO3] from one gram of dry food, `share` of its nitrogen ending as nitrate; protein [%]."""
    m = molar_masses(assumed)
    nitrogen_mg = 1000 * array(protein_pct) / 100 * assumed["nitrogen_of_protein"]
    return np.asarray(nitrogen_mg * array(share) * m["NO3"] / m["N"])


def nitrate_from_feed(
    feed_g_day: ArrayLike, protein_pct: ArrayLike, net_l: ArrayLike, assumed: Assumptions
) -> Expected:
    """Nitrate that dry food [g/day] of some protein [%] is expected to make in `net_l` [L].

    The share of its nitrogen that ends as nitrate is a house figure with a range; 0.56–0.88 of feed nitrogen is
    published as lost to the water (Summerfelt & Penne 2007, Int. J. Recirc. Aquac. 8:43–64). A protein of nan takes
    the default. A volume of 0 or nan gives nan.
    """
    protein = array(protein_pct)
    protein = np.where(np.isnan(protein), assumed["protein_default_pct"], protein)
    net = array(net_l)
    assumption = assumed.assumption("feed_n_share")
    share = assumption.value
    low = min(share, assumption.low if assumption.low is not None else share)
    high = max(share, assumption.high if assumption.high is not None else share)
    grams_l = np.where(net > 0, array(feed_g_day) / np.where(net > 0, net, 1.0), np.nan)
    return Expected(*(grams_l * nitrate_per_g_food(protein, x, assumed) for x in (share, low, high)))


def ammonia_from_feed(feed: ArrayLike, protein_pct: ArrayLike, assumed: Assumptions) -> Array:
    """Total ammonia nitrogen made a day, in the mass unit of `feed` a day: P_TAN = F · PC · 0.092.

    Timmons & Ebeling, Recirculating Aquaculture, mass balance (form from memory); 0.092 is about
    0.16 · 0.8 · 0.8 · 0.9. A published second opinion beside `nitrate_from_feed`, never mixed with it.
    """
    return np.asarray(array(feed) * array(protein_pct) / 100 * assumed["tan_per_protein"])


def nitrate_from_feed_published(
    feed_g_day: ArrayLike, protein_pct: ArrayLike, net_l: ArrayLike, assumed: Assumptions
) -> Array:
    """Nitrate [mg/L NO3 per day] by P_TAN, all of that ammonia nitrified and none lost (share 0.575)."""
    m = molar_masses(assumed)
    net = array(net_l)
    tan_mg = 1000 * ammonia_from_feed(feed_g_day, protein_pct, assumed)
    return np.where(net > 0, tan_mg * m["NO3"] / m["N"] / np.where(net > 0, net, 1.0), np.nan)
