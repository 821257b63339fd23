r"""The configuration: TOML text in, one frozen ``Config`` or every fault at once out.

Promises:
1. Pure: no file is read, no environment asked; the home folder is handed in.
2. Only ``ConfigError`` leaves ``parse_config``, whatever the text; it carries all faults, each with
   the key, the value that stands there and what would be right. A secret is never shown.
3. No text, and a text with only comments, give the defaults; ``config.example.toml`` names them all.
4. A key that means nothing here is a fault, never passed over: it may be a promise misspelt.

Example:
    parse_config('[policy]\nwipe_needs = ["primary", "secondary"]', "config.toml",
                 home="/home/me", state_home="/home/me/.local/state").policy.wipe_needs
"""

import unicodedata
from typing import Final

from backupkeeper.config import addresses, values
from backupkeeper.config.settings import (
    Addressing,
    CatalogSettings,
    Config,
    HashFormat,
    LayoutSettings,
    LogSettings,
    MailSettings,
    ManifestSettings,
    NotifySettings,
    PageSettings,
    ProofSettings,
    ReportSettings,
    RetentionMode,
    Security,
    UploadSettings,
    WatchSettings,
)
from backupkeeper.config.table import MOST_CHARACTERS, Table, parsed
from backupkeeper.core.cardrules import SourceRule
from backupkeeper.core.errors import ConfigError, ConfigFault
from backupkeeper.core.policy import Policy
from backupkeeper.core.prices import Prices
from backupkeeper.core.storage import ClassRule

__all__ = [
    "MOST_CHARACTERS",
    "Addressing",
    "CatalogSettings",
    "Config",
    "HashFormat",
    "LayoutSettings",
    "LogSettings",
    "MailSettings",
    "ManifestSettings",
    "NotifySettings",
    "PageSettings",
    "ProofSettings",
    "ReportSettings",
    "RetentionMode",
    "Security",
    "UploadSettings",
    "WatchSettings",
    "parse_config",
]

MOST_PARALLEL_PARTS: Final = 32
MOST_SNAPSHOT_MINUTES: Final = 7 * 24 * 60


def parse_config(text: str, file: str, *, home: str, state_home: str) -> Config:
    """Read and check a whole configuration.

    Args:
        text: TOML 1.0.
        file: where it came from, for messages.
        home: the person's home folder, what ``~`` stands for.
        state_home: the folder for state, ``$XDG_STATE_HOME`` or its default.

    Raises:
        ConfigError: with every fault.
    """
    faults: list[ConfigFault] = []
    top = Table(parsed(text, file), "", faults)
    config = Config(
        catalog=_catalog(top.table("catalog"), home, state_home),
        policy=_policy(top.table("policy")),
        layout=_layout(top.table("layout")),
        manifest=_manifest(top.table("manifest")),
        upload=_upload(top.table("upload"), home),
        watch=_watch(top.table("watch")),
        sources=_sources(top.tables("sources")),
        proofs=_proofs(top.table("proofs"), home),
        report=_report(top.table("report")),
        notify=_notify(top.table("notify")),
        mail=_mail(top.table("mail")),
        log=_log(top.table("log"), home),
        page=_page(top.table("page")),
        prices=_prices(top.table("prices")),
    )
    top.finish()
    if faults:
        raise ConfigError(file, faults)
    return config


def _catalog(table: Table, home: str, state_home: str) -> CatalogSettings:
    path = table.take("path", values.path_from(home), f"{state_home}/backupkeeper/catalog.sqlite")
    minutes = table.take("snapshot_minutes", values.whole_number(1, MOST_SNAPSHOT_MINUTES), 15)
    table.finish()
    return CatalogSettings(path=path, snapshot_minutes=minutes)


def _policy(table: Table) -> Policy:
    usual = Policy()
    policy = Policy(
        wipe_needs=table.take("wipe_needs", values.roles, usual.wipe_needs),
        roles=table.take("roles", values.roles, usual.roles),
        distinct_devices=table.take("distinct_devices", values.yes_or_no, usual.distinct_devices),
        drive_proof_age=table.take("proof_days_drive", values.days, usual.drive_proof_age),
        attested_age=table.take("proof_days_attested", values.days, usual.attested_age),
        downloaded_age=table.take("proof_days_downloaded", values.days, usual.downloaded_age),
    )
    table.finish()
    return policy


def _layout(table: Table) -> LayoutSettings:
    layout = LayoutSettings(roll=table.take("roll", values.template, LayoutSettings().roll))
    table.finish()
    return layout


def _manifest(table: Table) -> ManifestSettings:
    usual = ManifestSettings()
    manifest = ManifestSettings(
        formats=table.take("formats", values.formats, usual.formats),
        author=table.take("author", values.xml_text, usual.author),
        location=table.take("location", values.xml_text, usual.location),
        comment=table.take("comment", values.xml_text, usual.comment),
    )
    table.finish()
    return manifest


def _upload(table: Table, home: str) -> UploadSettings:
    usual = UploadSettings()
    upload = UploadSettings(
        addressing=table.take("addressing", values.one_of(Addressing), usual.addressing),
        parallel_parts=table.take(
            "parallel_parts", values.whole_number(1, MOST_PARALLEL_PARTS), usual.parallel_parts
        ),
        storage_class=table.take("storage_class", values.class_or_none, usual.storage_class),
        classes=_classes(table.tables("classes")),
        retention_days=table.take(
            "retention_days", values.whole_number(0, values.MOST_DAYS), usual.retention_days
        ),
        retention_mode=table.take(
            "retention_mode", values.one_of(RetentionMode), usual.retention_mode
        ),
        limit=table.take("limit", values.line_limit, usual.limit),
        windows=table.take("windows", values.line_windows, usual.windows),
        on_metered=table.take("on_metered", values.yes_or_no, usual.on_metered),
        encrypt_to=table.take("encrypt_to", values.recipients, usual.encrypt_to),
        hide_names=table.take("hide_names", values.yes_or_no, usual.hide_names),
        plain_too=table.take("plain_too", values.yes_or_no, usual.plain_too),
        identity_file=table.take("identity_file", values.path_or_none(home), usual.identity_file),
        spool=table.take("spool", values.path_or_none(home), usual.spool),
    )
    table.finish()
    if upload.hide_names and not upload.encrypt_to:
        table.fault(
            "hide_names", "false, or recipients in encrypt_to: only what is encrypted hides"
        )
    return upload


def _classes(tables: list[Table]) -> tuple[ClassRule, ...]:
    rules: list[ClassRule] = []
    for table in tables:
        rule = ClassRule(
            shoots=table.take("shoots", values.pattern, "*"),
            older_than_days=table.take(
                "older_than_days", values.whole_number(0, values.MOST_DAYS), 0
            ),
            storage_class=table.take("class", values.class_or_none, ""),
        )
        table.finish()
        if not table.has("class"):
            table.fault("class", 'a storage class of your bucket\'s service, or "" for its own')
        rules.append(rule)
    return tuple(rules)


def _watch(table: Table) -> WatchSettings:
    usual = WatchSettings()
    watch = WatchSettings(
        media=table.take("media", values.folders, usual.media),
        quiet_s=table.take("quiet_seconds", values.number(1, 3600), usual.quiet_s),
    )
    table.finish()
    return watch


def _sources(tables: list[Table]) -> tuple[SourceRule, ...]:
    rules: list[SourceRule] = []
    for table in tables:
        rule = SourceRule(
            name=table.take("name", values.source_name, ""),
            label=table.take("label", values.pattern, None),
            folders=table.take("folders", values.patterns, ()),
            files=table.take("files", values.patterns, ()),
            auto_offload=table.take("auto_offload", values.yes_or_no, default=False),
            shoot=table.take("shoot", values.shoot_name, ""),
        )
        table.finish()
        if not table.has("name"):
            table.fault("name", 'what the camera or recorder is called, such as "Wide"')
        elif _folded(rule.name) in {_folded(one.name) for one in rules}:
            table.fault("name", "another name: each source has one rule")
        if not _tells_apart(rule):
            named = [key for key in ("label", "folders", "files") if table.has(key)]
            table.fault(
                named[0] if named else "label",
                'at least one of label, folders and files, and more than "*": else every drive is it',
            )
        if rule.auto_offload and not rule.shoot:
            table.fault("shoot", "the name of its shoots, such as Boatyard, for auto_offload")
        rules.append(rule)
    return tuple(rules)


def _folded(name: str) -> str:
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", name).casefold())


def _tells_apart(rule: SourceRule) -> bool:
    """Whether some drives don't answer: stars alone are any name."""
    label, folders, files = (
        [pattern.strip("*/") for pattern in patterns]
        for patterns in ([rule.label or ""], rule.folders, rule.files)
    )
    return any(label) or any(folders) or (bool(files) and all(files))


def _proofs(table: Table, home: str) -> ProofSettings:
    usual = ProofSettings()
    hours = table.take("hours", values.number(0.1, 24), usual.budget_s / 3600)
    proofs = ProofSettings(
        window=table.take("window", values.window_or_none, usual.window),
        budget_s=hours * 3600,
        lead=table.take("lead_days", values.days, usual.lead),
        auto_repair=table.take("auto_repair", values.yes_or_no, usual.auto_repair),
        bucket_sample_percent=table.take(
            "bucket_sample_percent", values.number(0, 100), usual.bucket_sample_percent
        ),
        bucket_years=table.take("bucket_years", values.whole_number(0, 30), usual.bucket_years),
        drill_months=table.take("drill_months", values.whole_number(0, 120), usual.drill_months),
        drill_folder=table.take("drill_folder", values.folder_or_none(home), usual.drill_folder),
        bucket_month_gb=table.take("bucket_month_gb", values.price_or_none, None),
        bucket_month_cost=table.take("bucket_month_cost", values.price_or_none, None),
    )
    table.finish()
    return proofs


def _report(table: Table) -> ReportSettings:
    usual = ReportSettings()
    report = ReportSettings(
        weekly=table.take("weekly", values.week_time, usual.weekly),
        posters=table.take("posters", values.yes_or_no, usual.posters),
    )
    table.finish()
    return report


def _notify(table: Table) -> NotifySettings:
    usual = NotifySettings()
    count = values.whole_number(1, values.MOST_DAYS)
    notify = NotifySettings(
        desktop=table.take("desktop", values.yes_or_no, usual.desktop),
        command=table.take("command", values.program, usual.command),
        quiet=table.take("quiet", values.window_or_none, usual.quiet),
        away_days=table.take("away_days", count, usual.away_days),
        upload_days=table.take("upload_days", count, usual.upload_days),
    )
    table.finish()
    return notify


def _mail(table: Table) -> MailSettings:
    usual = MailSettings()
    mail = MailSettings(
        to=table.take("to", addresses.address, usual.to),
        sender=table.take("sender", addresses.address, usual.sender),
        host=table.take("host", addresses.host, usual.host),
        port=table.take("port", values.whole_number(1, 65535), usual.port),
        security=table.take("security", values.one_of(Security), usual.security),
        user=table.take("user", values.plain_text, usual.user),
        password_from=table.take("password_from", values.password_from, usual.password_from),
    )
    table.finish()
    if mail.to and not mail.host:
        table.fault("host", "the name of the mail server, for there is an address to send to")
    if mail.user and not mail.password_from:
        table.fault("password_from", "where the password of user is; it never stands here itself")
    if mail.security is Security.NONE and mail.host not in {"localhost", "127.0.0.1", "::1"}:
        table.fault("security", '"starttls" or "tls"; "none" only to a server on this machine')
    return mail


def _log(table: Table, home: str) -> LogSettings:
    usual = LogSettings()
    log = LogSettings(
        file=table.take("file", values.path_or_none(home), usual.file),
        size_mb=table.take("size_mb", values.whole_number(1, 1000), usual.size_mb),
        keep=table.take("keep", values.whole_number(1, 100), usual.keep),
    )
    table.finish()
    return log


def _page(table: Table) -> PageSettings:
    usual = PageSettings()
    page = PageSettings(
        enabled=table.take("enabled", values.yes_or_no, usual.enabled),
        address=table.take("address", addresses.own_address, usual.address),
        port=table.take("port", values.whole_number(0, 65535), usual.port),
    )
    table.finish()
    return page


def _prices(table: Table) -> Prices:
    prices = Prices(
        currency=table.take("currency", values.plain_text, ""),
        month_gb=table.take("month_gb", values.prices_by_class, {}),
        fetch_gb=table.take("fetch_gb", values.price_or_none, None),
        take_gb=table.take("take_gb", values.prices_by_class, {}),
        requests_1000=table.take("requests_1000", values.price_or_none, None),
    )
    table.finish()
    return prices
