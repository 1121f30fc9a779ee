"""Who may open the reading room's addresses. Which exams one finds there: ``review.queries``."""

from accounts.access import P, row

ACCESS = {
    "review:list": row(GET=P.READ_EXAMS),
    "review:next": row(POST=P.READ_EXAMS),
    "review:signed": row(GET=P.READ_EXAMS, log="signed readings"),
    # Whoever signed may correct; another reader needs the privilege as well.
    "review:correct": row(GET=P.READ_EXAMS, POST=P.READ_EXAMS, log="correction"),
    "review:told": row(POST=P.READ_EXAMS),
    "review:desk": row(GET=P.READ_EXAMS, log="reading"),
    "review:take": row(POST=P.READ_EXAMS),
    "review:save": row(POST=P.READ_EXAMS),
    "review:reveal": row(POST=P.READ_EXAMS),
    "review:sign": row(POST=P.READ_EXAMS),
    "review:return": row(POST=P.READ_EXAMS),
    "review:set_aside": row(POST=P.READ_EXAMS),
    "review:release": row(POST=P.READ_EXAMS),
    "review:cover": row(GET=P.READ_EXAMS, POST=P.READ_EXAMS, log="capture"),
    "review:cover_letters": row(POST=P.READ_EXAMS),
    "review:take_out": row(POST=P.READ_EXAMS),
    "review:put_back": row(POST=P.READ_EXAMS),
    # A trainee who has left keeps their record and can still say that they have seen it.
    "review:exam": row(GET=P.MEMBER, log="exam with feedback"),
    "review:acknowledge": row(POST=P.SEE_OWN),
    # Whoever has left keeps what was signed about them.
    "review:assessments": row(GET=P.MEMBER),
    "review:assess": row(GET=P.READ_EXAMS, POST=P.READ_EXAMS),
    "review:assessment": row(GET=P.MEMBER, log="bedside assessment"),
    "review:assessment_correct": row(GET=P.READ_EXAMS, POST=P.READ_EXAMS),
    "review:exception": row(POST=P.CHANGE_SETTINGS),
    "review:rubric": row(GET=P.CHANGE_SETTINGS, POST=P.CHANGE_SETTINGS),
    "review:rubric_reading": row(GET=P.CHANGE_SETTINGS),
    "review:credit_rule": row(GET=P.CHANGE_SETTINGS, POST=P.CHANGE_SETTINGS),
}
