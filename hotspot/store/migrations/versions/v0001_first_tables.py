"""First tables."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Apply."""
    op.create_table(
        "board_types",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("folded", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_board_types")),
        sa.UniqueConstraint("name", name=op.f("uq_board_types_name")),
    )
    with op.batch_alter_table("board_types", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_board_types_folded"), ["folded"], unique=False)

    op.create_table(
        "customers",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("reference", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_customers")),
        sa.UniqueConstraint("reference", name=op.f("uq_customers_reference")),
    )
    op.create_table(
        "settings",
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_settings")),
    )
    op.create_table(
        "jobs",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("customer_id", sa.Integer(), nullable=False),
        sa.Column("board_type_id", sa.Integer(), nullable=False),
        sa.Column("complaint", sa.Text(), nullable=False),
        sa.Column("status", sa.String(), nullable=False),
        sa.Column("outcome", sa.String(), nullable=True),
        sa.Column("opened_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("closed_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("search_text", sa.Text(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["board_type_id"], ["board_types.id"], name=op.f("fk_jobs_board_type_id")
        ),
        sa.ForeignKeyConstraint(
            ["customer_id"], ["customers.id"], name=op.f("fk_jobs_customer_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_jobs")),
    )
    with op.batch_alter_table("jobs", schema=None) as batch_op:
        batch_op.create_index("ix_jobs_board_type_id_id", ["board_type_id", "id"], unique=False)
        batch_op.create_index(batch_op.f("ix_jobs_customer_id"), ["customer_id"], unique=False)
        batch_op.create_index("ix_jobs_status_id", ["status", "id"], unique=False)

    op.create_table(
        "actions",
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("ref", sa.String(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("job_id", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("bench", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(
            ["job_id"], ["jobs.id"], name=op.f("fk_actions_job_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_actions")),
    )
    with op.batch_alter_table("actions", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_actions_job_id"), ["job_id"], unique=False)

    op.create_table(
        "faults",
        sa.Column("job_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("ref", sa.String(), nullable=False),
        sa.Column("board_type_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["board_type_id"], ["board_types.id"], name=op.f("fk_faults_board_type_id")
        ),
        sa.ForeignKeyConstraint(
            ["job_id"], ["jobs.id"], name=op.f("fk_faults_job_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("job_id", "ref", name=op.f("pk_faults")),
    )
    with op.batch_alter_table("faults", schema=None) as batch_op:
        batch_op.create_index(
            "ix_faults_board_type_id_ref_job_id", ["board_type_id", "ref", "job_id"], unique=False
        )

    op.create_table(
        "plans",
        sa.Column("rail", sa.String(), nullable=False),
        sa.Column("data", sa.JSON(), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("job_id", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("bench", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(
            ["job_id"], ["jobs.id"], name=op.f("fk_plans_job_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_plans")),
    )
    with op.batch_alter_table("plans", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_plans_job_id"), ["job_id"], unique=False)

    op.create_table(
        "readings",
        sa.Column("target", sa.String(), nullable=False),
        sa.Column("mode", sa.String(), nullable=False),
        sa.Column("text", sa.String(), nullable=False),
        sa.Column("value", sa.Double(), nullable=True),
        sa.Column("polarity", sa.String(), nullable=False),
        sa.Column("beep", sa.Boolean(), nullable=False),
        sa.Column("lead_ohm", sa.Double(), nullable=False),
        sa.Column("phase", sa.String(), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("job_id", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("bench", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(
            ["job_id"], ["jobs.id"], name=op.f("fk_readings_job_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_readings")),
    )
    with op.batch_alter_table("readings", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_readings_job_id"), ["job_id"], unique=False)

    op.create_table(
        "recordings",
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("rail", sa.String(), nullable=False),
        sa.Column("uri", sa.Text(), nullable=False),
        sa.Column("phase", sa.String(), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("job_id", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("bench", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(
            ["job_id"], ["jobs.id"], name=op.f("fk_recordings_job_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_recordings")),
    )
    with op.batch_alter_table("recordings", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_recordings_job_id"), ["job_id"], unique=False)

    op.create_table(
        "triages",
        sa.Column("verdict", sa.String(), nullable=False),
        sa.Column("data", sa.JSON(), nullable=False),
        sa.Column("phase", sa.String(), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("job_id", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("bench", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(
            ["job_id"], ["jobs.id"], name=op.f("fk_triages_job_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_triages")),
    )
    with op.batch_alter_table("triages", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_triages_job_id"), ["job_id"], unique=False)

    op.create_table(
        "verifications",
        sa.Column("verdict", sa.String(), nullable=False),
        sa.Column("data", sa.JSON(), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("job_id", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("bench", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(
            ["job_id"], ["jobs.id"], name=op.f("fk_verifications_job_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_verifications")),
    )
    with op.batch_alter_table("verifications", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_verifications_job_id"), ["job_id"], unique=False)

    op.create_table(
        "findings",
        sa.Column("recording_id", sa.Integer(), nullable=True),
        sa.Column("verdict", sa.String(), nullable=False),
        sa.Column("data", sa.JSON(), nullable=False),
        sa.Column("program", sa.String(), nullable=False),
        sa.Column("phase", sa.String(), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("job_id", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("bench", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(
            ["job_id"], ["jobs.id"], name=op.f("fk_findings_job_id"), ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(
            ["recording_id"], ["recordings.id"], name=op.f("fk_findings_recording_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_findings")),
    )
    with op.batch_alter_table("findings", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_findings_job_id"), ["job_id"], unique=False)
        batch_op.create_index(
            batch_op.f("ix_findings_recording_id"), ["recording_id"], unique=False
        )

    op.create_table(
        "attachments",
        sa.Column("recording_id", sa.Integer(), nullable=True),
        sa.Column("finding_id", sa.Integer(), nullable=True),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("size_bytes", sa.BigInteger(), nullable=False),
        sa.Column("media_type", sa.String(), nullable=False),
        sa.Column("phase", sa.String(), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("job_id", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("bench", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(
            ["finding_id"], ["findings.id"], name=op.f("fk_attachments_finding_id")
        ),
        sa.ForeignKeyConstraint(
            ["job_id"], ["jobs.id"], name=op.f("fk_attachments_job_id"), ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(
            ["recording_id"], ["recordings.id"], name=op.f("fk_attachments_recording_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_attachments")),
    )
    with op.batch_alter_table("attachments", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_attachments_finding_id"), ["finding_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_attachments_job_id"), ["job_id"], unique=False)
        batch_op.create_index(
            batch_op.f("ix_attachments_recording_id"), ["recording_id"], unique=False
        )
        batch_op.create_index(batch_op.f("ix_attachments_sha256"), ["sha256"], unique=False)


def downgrade() -> None:
    """Undo."""
    with op.batch_alter_table("attachments", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_attachments_sha256"))
        batch_op.drop_index(batch_op.f("ix_attachments_recording_id"))
        batch_op.drop_index(batch_op.f("ix_attachments_job_id"))
        batch_op.drop_index(batch_op.f("ix_attachments_finding_id"))

    op.drop_table("attachments")
    with op.batch_alter_table("findings", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_findings_recording_id"))
        batch_op.drop_index(batch_op.f("ix_findings_job_id"))

    op.drop_table("findings")
    with op.batch_alter_table("verifications", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_verifications_job_id"))

    op.drop_table("verifications")
    with op.batch_alter_table("triages", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_triages_job_id"))

    op.drop_table("triages")
    with op.batch_alter_table("recordings", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_recordings_job_id"))

    op.drop_table("recordings")
    with op.batch_alter_table("readings", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_readings_job_id"))

    op.drop_table("readings")
    with op.batch_alter_table("plans", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_plans_job_id"))

    op.drop_table("plans")
    with op.batch_alter_table("faults", schema=None) as batch_op:
        batch_op.drop_index("ix_faults_board_type_id_ref_job_id")

    op.drop_table("faults")
    with op.batch_alter_table("actions", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_actions_job_id"))

    op.drop_table("actions")
    with op.batch_alter_table("jobs", schema=None) as batch_op:
        batch_op.drop_index("ix_jobs_status_id")
        batch_op.drop_index(batch_op.f("ix_jobs_customer_id"))
        batch_op.drop_index("ix_jobs_board_type_id_id")

    op.drop_table("jobs")
    op.drop_table("settings")
    op.drop_table("customers")
    with op.batch_alter_table("board_types", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_board_types_folded"))

    op.drop_table("board_types")
