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

World
world          cases, each out of the model in one thing, every measure and its bound
world_truth    pipes, stops and ground, and what a departure is
world_marks    marks where steel, a fence or a kerb disturbs, or errors are heavy
world_survey   what is written down of it, as files
world_scores   each line built as anybody builds it, its record against its truth
"""
