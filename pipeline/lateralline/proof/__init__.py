"""Evidence anyone can repeat: simulated stops with known truth against what the solver claims.

scenarios   what is simulated, under which priors
coverage    do the error bars hold the truth; how near the Cramér–Rao bound; do wrong priors show
by_hand     the same stops by the rule of hand
speed       stops per second against a loop over a general-purpose optimiser
"""
