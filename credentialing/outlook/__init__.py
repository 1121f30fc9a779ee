"""Who will reach the numbers by a date: a forecast, never a finding. Pure; numpy and scipy.

    rates     exposure in weeks, the prior from past trainees, dispersion, the posterior rate
    forecast  the closed form: how many more will come to count
    futures   everything else: whole futures of whole exams, judged by `credentialing.measures`
    testing   how past forecasts did, and whether that is known well enough to show any
    rounding  how exactly a chance may be said

Nothing is exported here, so that a page that shows stored chances imports no scipy.
"""
