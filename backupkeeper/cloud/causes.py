"""What can go wrong between here and a bucket, and what a person can do about it: data only.

Promises:
1. Every exception class of botocore's and every error code that an S3 service is known to give
   (Amazon S3's published list, as far as it can be met here) has one cause.
2. Every cause has one sentence that says what happened and one that says what to do.
"""

from collections.abc import Mapping
from datetime import timedelta
from enum import StrEnum, auto
from typing import Final


class Cause(StrEnum):
    """Why the store did not do what it was asked."""

    NO_CREDENTIALS = auto()
    WRONG_CREDENTIALS = auto()
    EXPIRED_CREDENTIALS = auto()
    DENIED = auto()
    NO_BUCKET = auto()
    NO_OBJECT = auto()
    NO_NAME = auto()
    NO_ANSWER = auto()
    CUT_OFF = auto()
    TIMEOUT = auto()
    TLS = auto()
    PROXY = auto()
    CLOCK = auto()
    BUSY = auto()
    BROKEN_STORE = auto()
    NOT_A_STORE = auto()
    WRONG_REGION = auto()
    SETTINGS = auto()
    FULL = auto()
    NOT_OFFERED = auto()
    ARCHIVED = auto()
    UPLOAD_LOST = auto()
    WRONG_BYTES = auto()
    NAME_TAKEN = auto()
    RACE = auto()
    REFUSED = auto()
    OUR_BUG = auto()


SENTENCES: Mapping[Cause, tuple[str, str]] = {
    Cause.NO_CREDENTIALS: (
        "There are no credentials for the bucket {bucket}{profile}.",
        (
            "They are looked for in the environment (AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY), "
            "then in ~/.aws/credentials and ~/.aws/config, then at the machine's own role."
        ),
    ),
    Cause.WRONG_CREDENTIALS: (
        "The object store at {endpoint} does not accept the credentials{profile} ({detail}).",
        "Compare access key and secret key with what the store shows for them.",
    ),
    Cause.EXPIRED_CREDENTIALS: (
        (
            "The credentials{profile} for the bucket {bucket} have run out or can't be renewed "
            "({detail})."
        ),
        "Log in again, or use credentials that last.",
    ),
    Cause.DENIED: (
        (
            "The credentials{profile} are known, but not allowed to do this in the bucket {bucket} "
            "({detail})."
        ),
        (
            "They need s3:ListBucket, s3:GetObject, s3:GetObjectVersion, s3:PutObject and "
            "s3:AbortMultipartUpload on it; the README has the whole policy."
        ),
    ),
    Cause.NO_BUCKET: (
        "There is no bucket {bucket} at {endpoint}.",
        "Check its name, or create it; this program creates no buckets.",
    ),
    Cause.NO_OBJECT: (
        "{path} is not in the bucket {bucket}.",
        "Verify the place to see what else is missing.",
    ),
    Cause.NO_NAME: (
        "The name of the object store, {endpoint}, can't be found.",
        "Check the network connection, and the spelling of the endpoint.",
    ),
    Cause.NO_ANSWER: (
        "Nothing answers at {endpoint}.",
        "Check the network connection, and the address and port of the endpoint.",
    ),
    Cause.CUT_OFF: (
        "The connection to {endpoint} broke ({detail}).",
        "Repeat the command: what has arrived stays.",
    ),
    Cause.TIMEOUT: (
        "{endpoint} took too long to answer ({detail}).",
        "Repeat the command when the line is better: what has arrived stays.",
    ),
    Cause.TLS: (
        "The connection to {endpoint} can't be trusted: its certificate does not check.",
        (
            "Behind a login page of a hotel or café, log in first. With a certificate authority of "
            "your own, name it in AWS_CA_BUNDLE."
        ),
    ),
    Cause.PROXY: (
        "The proxy on the way to {endpoint} did not let us through.",
        "Check HTTPS_PROXY, HTTP_PROXY and NO_PROXY.",
    ),
    Cause.CLOCK: (
        "The clock of this machine and that of {endpoint} are too far apart ({detail}).",
        "Set this machine's clock, best by network time; check its time zone too.",
    ),
    Cause.BUSY: (
        "{endpoint} asks for fewer requests ({detail}).",
        "Repeat the command later.",
    ),
    Cause.BROKEN_STORE: (
        "The object store at {endpoint} failed ({detail}).",
        "Repeat the command later; if it stays, ask those who run the store.",
    ),
    Cause.NOT_A_STORE: (
        "What answers at {endpoint} is no object store ({detail}).",
        "Behind a login page of a hotel or café, log in first. Else check the endpoint.",
    ),
    Cause.WRONG_REGION: (
        "The bucket {bucket} is in another region than was asked ({detail}).",
        "Set the right region in ~/.aws/config or AWS_DEFAULT_REGION, or check the endpoint.",
    ),
    Cause.SETTINGS: (
        "The settings for the bucket {bucket}{profile} can't be used ({detail}).",
        "Check ~/.aws/config, the AWS_… variables of the environment and the endpoint.",
    ),
    Cause.FULL: (
        "The bucket {bucket} takes no more: {detail}.",
        "Ask those who run the store for more room.",
    ),
    Cause.NOT_OFFERED: (
        "The object store at {endpoint} does not offer what is needed here ({detail}).",
        "It must speak the S3 interface with multipart uploads.",
    ),
    Cause.ARCHIVED: (
        "{path} lies in an archive class of the bucket {bucket} and can't be read at once.",
        "It must be thawed first: 'backupkeeper restore' has the store do that.",
    ),
    Cause.UPLOAD_LOST: (
        "The store does not know the upload of {path} any more ({detail}).",
        "Repeat the command: it starts again.",
    ),
    Cause.WRONG_BYTES: (
        "The bucket refused {path}: what arrived is not what was sent.",
        "Repeat the command.",
    ),
    Cause.NAME_TAKEN: ("Another object stands at {path}; it was left as it is.", ""),
    Cause.RACE: (
        "Somebody else was writing {path} to the bucket {bucket} at the same time.",
        "Repeat the command when the other has finished.",
    ),
    Cause.REFUSED: (
        "The object store at {endpoint} refused ({detail}).",
        "If its own documentation of this answer does not help, ask those who run the store.",
    ),
    Cause.OUR_BUG: (
        "The object store was asked wrongly ({detail}).",
        "This is a fault of backupkeeper.",
    ),
}


def apart_words(ahead: timedelta) -> str:
    """How far this machine's clock is from the store's: ``this machine is 2 h 5 min ahead``."""
    minutes = round(abs(ahead.total_seconds()) / 60)
    days, rest = divmod(minutes, 24 * 60)
    hours, left = divmod(rest, 60)
    parts = [f"{days} d"] * bool(days) + [f"{hours} h"] * bool(hours)
    parts += [f"{left} min"] * bool(left or not parts)
    return f"this machine is {' '.join(parts)} {'ahead' if ahead > timedelta(0) else 'behind'}"


def _spread(causes: Mapping[Cause, str]) -> dict[str, Cause]:
    return {name: cause for cause, names in causes.items() for name in names.split()}


OF_EXCEPTION: Mapping[str, Cause] = _spread(
    {
        Cause.NO_CREDENTIALS: "NoCredentialsError PartialCredentialsError NoAuthTokenError",
        Cause.EXPIRED_CREDENTIALS: (
            "CredentialRetrievalError TokenRetrievalError UnknownTokenProviderError "
            "UnknownCredentialError RefreshWithMFAUnsupportedError MetadataRetrievalError "
            "SSOError SSOTokenLoadError UnauthorizedSSOTokenError LoginError LoginRefreshRequired "
            "LoginInsufficientPermissions LoginTokenLoadError LoginAuthorizationCodeError"
        ),
        Cause.NO_ANSWER: "EndpointConnectionError NewConnectionError MaxRetryError",
        Cause.NO_NAME: "NameResolutionError",
        Cause.CUT_OFF: (
            "ConnectionError HTTPClientError ConnectionClosedError ResponseStreamingError "
            "IncompleteReadError IncompleteRead ProtocolError HTTPError OSError"
        ),
        Cause.TIMEOUT: "ReadTimeoutError ConnectTimeoutError TimeoutError",
        Cause.TLS: "SSLError",
        Cause.PROXY: "ProxyConnectionError ProxyError",
        Cause.BUSY: "CapacityNotAvailableError",
        Cause.NOT_A_STORE: "ResponseParserError",
        Cause.WRONG_BYTES: "ChecksumError FlexibleChecksumError",
        Cause.SETTINGS: (
            "BotoCoreError ProfileNotFound ConfigParseError ConfigNotFound InvalidConfigError "
            "InfiniteLoopConfigError UnknownRegionError InvalidRegionError NoRegionError "
            "ServiceNotInRegionError BaseEndpointResolverError EndpointVariantError "
            "UnknownEndpointError UnknownFIPSEndpointError EndpointProviderError "
            "EndpointResolutionError UnknownEndpointResolutionBuiltInName "
            "InvalidEndpointConfigurationError InvalidEndpointDiscoveryConfigurationError "
            "InvalidIMDSEndpointError InvalidIMDSEndpointModeError InvalidHostLabelError "
            "InvalidDNSNameError InvalidS3AddressingStyleError UnsupportedS3ArnError "
            "UnsupportedS3ControlArnError UnsupportedOutpostResourceError "
            "UnsupportedS3ConfigurationError UnsupportedS3AccesspointConfigurationError "
            "UnsupportedS3ControlConfigurationError InvalidRetryConfigurationError "
            "InvalidMaxRetryAttemptsError InvalidRetryModeError "
            "InvalidS3UsEast1RegionalEndpointConfigError InvalidSTSRegionalEndpointsConfigError "
            "InvalidProxiesConfigError InvalidDefaultsMode InvalidChecksumConfigError "
            "MissingDependencyException MD5UnavailableError UnknownSignatureVersionError "
            "UnsupportedSignatureVersionError DataNotFoundError UnknownServiceError "
            "ApiVersionNotFoundError UnsupportedServiceProtocolsError ValueError"
        ),
        Cause.OUR_BUG: (
            "MissingParametersError ValidationError ParamValidationError UnknownKeyError "
            "RangeError UnknownParameterError AliasConflictParameterError UnknownServiceStyle "
            "PaginationError OperationNotPageableError UnseekableStreamError WaiterError "
            "InvalidExpressionError WaiterConfigError UnknownClientMethodError StubResponseError "
            "StubAssertionError UnStubbedResponseError UndefinedModelAttributeError "
            "MissingServiceIdError AwsChunkedWrapperError"
        ),
        Cause.REFUSED: "ClientError EventStreamError",
    }
)
"""Cause of an exception by the name of its class; a subclass that is not named has its base's."""

OF_CODE: Mapping[str, Cause] = _spread(
    {
        Cause.WRONG_CREDENTIALS: (
            "InvalidAccessKeyId SignatureDoesNotMatch InvalidSecurity Unauthorized "
            "CredentialsNotSupported AuthorizationQueryParametersError NotSignedUp"
        ),
        Cause.EXPIRED_CREDENTIALS: "ExpiredToken InvalidToken TokenRefreshRequired",
        Cause.DENIED: (
            "AccessDenied AllAccessDisabled AccountProblem Forbidden AccessForbidden "
            "UserSuspended InvalidPayer"
        ),
        Cause.NO_BUCKET: "NoSuchBucket InvalidBucketName",
        Cause.NO_OBJECT: "NoSuchKey NoSuchVersion NotFound",
        Cause.CLOCK: "RequestTimeTooSkewed RequestExpired",
        Cause.BUSY: (
            "SlowDown ServiceUnavailable Throttling ThrottlingException ThrottledException "
            "RequestThrottled TooManyRequests TooManyRequestsException RequestLimitExceeded "
            "BandwidthLimitExceeded Busy RequestThrottledException PriorRequestNotComplete"
        ),
        Cause.TIMEOUT: "RequestTimeout RequestTimeoutException",
        Cause.BROKEN_STORE: "InternalError InternalServerError ServerBusy",
        Cause.WRONG_REGION: (
            "PermanentRedirect TemporaryRedirect Redirect AuthorizationHeaderMalformed "
            "IllegalLocationConstraintException IncorrectEndpoint"
        ),
        Cause.FULL: (
            "QuotaExceeded EntityTooLarge InsufficientCapacity StorageFull OutOfCapacity "
            "TooManyObjects"
        ),
        Cause.NOT_OFFERED: "NotImplemented MethodNotAllowed MissingContentLength NotSupported",
        Cause.ARCHIVED: "InvalidObjectState",
        Cause.UPLOAD_LOST: "NoSuchUpload InvalidPart InvalidPartOrder EntityTooSmall",
        Cause.WRONG_BYTES: (
            "BadDigest InvalidDigest IncompleteBody XAmzContentSHA256Mismatch "
            "XAmzContentChecksumMismatch"
        ),
        Cause.NAME_TAKEN: "PreconditionFailed",
        Cause.RACE: "ConditionalRequestConflict OperationAborted Conflict",
        Cause.REFUSED: "InvalidRequest InvalidArgument KeyTooLongError MalformedXML BadRequest",
    }
)
"""Cause of an answer by its error code."""

LINE: Final = (
    Cause.NO_NAME,
    Cause.NO_ANSWER,
    Cause.CUT_OFF,
    Cause.TIMEOUT,
    Cause.TLS,
    Cause.PROXY,
    Cause.NOT_A_STORE,
)
"""What lies between here and the store: it passes, and is waited out."""
PERSON: Final = (
    Cause.NO_CREDENTIALS,
    Cause.WRONG_CREDENTIALS,
    Cause.EXPIRED_CREDENTIALS,
    Cause.DENIED,
    Cause.NO_BUCKET,
    Cause.CLOCK,
    Cause.WRONG_REGION,
    Cause.FULL,
    Cause.NOT_OFFERED,
)
"""What stays as it is until a person does something: it is told."""

OF_STATUS: Mapping[int, Cause] = {
    200: Cause.BROKEN_STORE,
    301: Cause.WRONG_REGION,
    302: Cause.NOT_A_STORE,
    303: Cause.NOT_A_STORE,
    307: Cause.WRONG_REGION,
    308: Cause.NOT_A_STORE,
    401: Cause.WRONG_CREDENTIALS,
    403: Cause.DENIED,
    404: Cause.NO_OBJECT,
    405: Cause.NOT_OFFERED,
    407: Cause.PROXY,
    408: Cause.TIMEOUT,
    409: Cause.RACE,
    411: Cause.NOT_OFFERED,
    412: Cause.NAME_TAKEN,
    413: Cause.FULL,
    429: Cause.BUSY,
    500: Cause.BROKEN_STORE,
    501: Cause.NOT_OFFERED,
    502: Cause.BROKEN_STORE,
    503: Cause.BUSY,
    504: Cause.TIMEOUT,
    507: Cause.FULL,
    511: Cause.NOT_A_STORE,
}
"""Cause of an answer whose code says nothing, by its HTTP status."""
