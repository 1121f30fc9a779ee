"""Static files with the content's hash in their name, ES module imports included."""

from whitenoise.storage import CompressedManifestStaticFilesStorage


class HashedStatics(CompressedManifestStaticFilesStorage):
    support_js_module_import_aggregation = True
