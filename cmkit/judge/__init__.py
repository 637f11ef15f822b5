"""One judgement: a chance for every named fault of every compartment, carried from bottle to bottle.

    given = ToJudge(known, samples, exposure, numbers, expected, register)
    learnt = learn_judgement(given)            # of a whole fleet
    judged = judge_bottles(given, learnt)      # any part of it

`usual` what is usual of each result in a kind; `measures` the bottles as rectangles; `hypotheses` what may be wrong
with a compartment and what it does to the results; `bottles` what may be wrong with a bottle; `densities` how likely
results are; `posterior` the recursion, `joint` its step at one bottle; `anew` steady changes; `events` looks, repairs,
new components; `learning`, `priors` what the fleet's own findings and bottles teach; `explain` which results spoke;
`judge` the frames.
"""
