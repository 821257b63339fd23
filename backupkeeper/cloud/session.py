"""boto3's session: who we are (profile, credentials), and the library's description of the service.

The description is some megabytes of JSON. It is read once for the whole process, not for every bucket
that is opened (seen: 86 ms each, 10 ms without; a command opens one a dozen times).
"""

import warnings
from functools import cache

import boto3
import botocore.session
from botocore.loaders import Loader, create_loader

# A date in an answer that a bad line spoilt is nothing to print: no time of a store decides anything.
warnings.filterwarnings("ignore", message="tzname .* identified but not understood")


def session_of(profile: str | None) -> boto3.session.Session:
    """A session of its own for each caller: clients of different threads share nothing that changes.

    Raises:
        botocore.exceptions.BotoCoreError: the profile or the AWS configuration can't be used.
    """
    core = botocore.session.get_session()
    if profile is not None:
        core.set_config_variable("profile", profile)
    loader = _descriptions(core.get_config_variable("data_path"))
    core.register_component("data_loader", loader)
    session = boto3.session.Session(botocore_session=core, profile_name=profile)
    loader.search_paths[:] = dict.fromkeys(loader.search_paths)  # boto3 adds its own each time
    return session


@cache
def _descriptions(search_path: str | None) -> Loader:
    return create_loader(search_path)
