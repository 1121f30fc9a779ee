"""Static files with the content's hash in their name, imports between our ES modules included."""

from django.contrib.staticfiles.storage import HashedFilesMixin
from whitenoise.storage import CompressedManifestStaticFilesStorage

# Of packages' scripts only the name is hashed: some import names that only a bundler knows.
OURS = ("ui", "accounts", "logbook", "review", "credentialing", "deploy")
_, _IMPORTS = HashedFilesMixin._js_module_import_aggregation_patterns  # type: ignore[attr-defined]


class HashedStatics(CompressedManifestStaticFilesStorage):
    patterns = (
        *HashedFilesMixin.patterns,
        *((f"{folder}/*.js", _IMPORTS) for folder in OURS),
    )
