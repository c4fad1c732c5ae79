import os

from django.core.wsgi import get_wsgi_application
from django.db import connection

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "fleetcal.settings")
application = get_wsgi_application()

# After the applications are loaded: a server whose tables of facts could be changed does not start.
from fleetcal.ledger import fence  # noqa: E402

fence.require(connection)
