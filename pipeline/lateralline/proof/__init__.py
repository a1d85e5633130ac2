"""Evidence anyone can repeat: simulations with known truth against what is claimed.

Stops
scenarios   what is simulated, under which priors
coverage    do the error bars hold the truth; how near the Cramér–Rao bound; do wrong priors show;
            the same stops by the rule of hand
speed       stops per second against a loop over a general-purpose optimiser

Lines
lines          every measure and its bound
line_truth     what is simulated
line_scores    each line through the stages, against its truth; blunders planted; two runs
line_compare   how far paths lie apart, what a corridor contains, which bends were found
"""
