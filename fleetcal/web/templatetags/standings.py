from django import template
from django.template.loader import render_to_string
from django.utils.safestring import SafeString

from fleetcal.evaluation.standing import Reason
from fleetcal.evaluation.wording import reason_text

register = template.Library()


@register.simple_tag
def standing_mark(word: str, size: str = "") -> SafeString:
    """The standing: a word, and a mark whose shape differs."""
    return render_to_string("_standing.html", {"code": word.replace(" ", "_"), "word": word, "size": size})


@register.filter
def in_words(reason: Reason) -> str:
    text = reason_text(reason)
    return text[:1].upper() + text[1:]
