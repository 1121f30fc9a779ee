"""Who may open the logbook's addresses. Which exams one finds there: ``visible_to``."""

from accounts.access import SIGNED_IN, P, row

ACCESS = {
    "logbook:exam_list": row(GET=P.SEE_OWN),
    "logbook:exam_new": row(GET=P.RECORD_EXAMS, POST=P.RECORD_EXAMS),
    "logbook:exam": row(GET=P.MEMBER, log="exam"),
    # Whoever leaves keeps their record but changes nothing in it.
    "logbook:exam_edit": row(GET=P.RECORD_EXAMS, POST=P.RECORD_EXAMS, log="exam draft"),
    "logbook:exam_submit": row(GET=P.RECORD_EXAMS, POST=P.RECORD_EXAMS),
    "logbook:exam_withdraw": row(GET=P.RECORD_EXAMS, POST=P.RECORD_EXAMS),
    "logbook:exam_drop_edit": row(POST=P.RECORD_EXAMS),
    "logbook:captures": row(GET=P.SEE_OWN),
    "logbook:capture_add": row(GET=P.RECORD_EXAMS, POST=P.RECORD_EXAMS),
    "logbook:capture_mask": row(GET=P.RECORD_EXAMS, POST=P.RECORD_EXAMS),
    "logbook:capture_preview": row(GET=P.RECORD_EXAMS, log="capture preview"),
    "logbook:capture_remove": row(POST=P.RECORD_EXAMS),
    "logbook:capture_master": row(GET=P.MEMBER, log="capture"),
    "logbook:capture_poster": row(GET=P.MEMBER, log="capture"),
    "logbook:capture_play": row(GET=P.MEMBER, log="capture"),
    "logbook:scanner_counts": row(GET=P.MANAGE_PEOPLE, POST=P.MANAGE_PEOPLE),
    "logbook:capture_strip": row(GET=P.MEMBER, log="capture"),
    "logbook:teaching_set": row(GET=P.CHANGE_SETTINGS),
    "logbook:teaching_file": row(GET=P.CHANGE_SETTINGS, log="teaching file"),
    "logbook:shifts": row(GET=P.CONFIRM_SUPERVISION, POST=P.CONFIRM_SUPERVISION),
    "logbook:may_read": row(GET=P.MANAGE_PEOPLE, POST=P.MANAGE_PEOPLE),
    "logbook:settings": row(GET=P.CHANGE_SETTINGS, POST=P.CHANGE_SETTINGS),
    "logbook:application_new": row(GET=P.CHANGE_SETTINGS, POST=P.CHANGE_SETTINGS),
    "logbook:application": row(GET=P.CHANGE_SETTINGS, POST=P.CHANGE_SETTINGS),
    "logbook:value_add": row(POST=P.CHANGE_SETTINGS),
    "logbook:value_retire": row(POST=P.CHANGE_SETTINGS),
    # The programme stands in the body or in the exam: the view asks for RECORD_EXAMS there.
    "api_exams": row(GET=SIGNED_IN),
    "api_exam": row(GET=SIGNED_IN, PUT=SIGNED_IN),
    "api_submission": row(PUT=SIGNED_IN),
    "api_uploads": row(POST=SIGNED_IN),
    "api_upload": row(GET=SIGNED_IN, PATCH=SIGNED_IN, DELETE=SIGNED_IN, POST=SIGNED_IN),
}
