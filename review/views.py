def _later(request, **kwargs):
    raise NotImplementedError


reading_list = take_next = signed = correct = told = desk = take = save = reveal = sign = _later
return_ = set_aside = release = exam = acknowledge = exception = credit_rule = _later
