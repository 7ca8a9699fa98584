"""Stage publish: everything that shows a whole class.

In: all records, the publish ticket, the recheck. Out: the class page, the gradebook, the attention
list, e-mail drafts, the open roster standard's zip.
"""

from pegmark.publish.class_pages import class_pages
from pegmark.publish.drafts import make_draft

__all__ = ["class_pages", "make_draft"]
