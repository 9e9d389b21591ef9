"""The Celery application: how hints reach workers.

A hint has no result: the store alone knows what was done. It is acknowledged once there is nothing to do any longer, so
that a worker that is busy takes none away from one that is free; one that a killed worker had comes again and does no
harm. What Celery does besides (results, events, remote control, gossip between workers) is switched off.
"""

from __future__ import annotations

from typing import Any

from celery import Celery

from nearfar.places import Places
from nearfar.runner import broker
from nearfar.server_settings import ServerSettings

TASK = "nearfar.work"
"""Name of the one task: take units of any job until there is nothing to do."""


def make_app(settings: ServerSettings, places: Places, *, patience: float = broker.PATIENCE) -> Celery:
    """An application for this process; it connects to nothing yet, and later waits ``patience`` seconds for answers."""
    app = Celery("nearfar", broker=broker.address(settings), set_as_current=False, fixups=[])
    app.conf.update(_configuration(settings))
    app.conf.broker_transport_options = broker.transport_options(settings, places, patience=patience)
    return app


def _configuration(settings: ServerSettings) -> dict[str, Any]:
    return {
        "broker_connection_retry": True,
        "broker_connection_retry_on_startup": True,
        "broker_connection_max_retries": None,
        "broker_connection_timeout": 2,
        "task_default_queue": broker.QUEUE,
        "task_default_delivery_mode": "transient",
        "task_acks_late": True,
        "task_ignore_result": True,
        "task_publish_retry": False,
        "task_serializer": "json",
        "accept_content": ["json"],
        "worker_pool": "prefork",
        "worker_concurrency": settings.worker.places,
        "worker_prefetch_multiplier": 1,
        "worker_lost_wait": 1,
        "worker_enable_remote_control": False,
        "worker_send_task_events": False,
        "worker_hijack_root_logger": False,
        "worker_redirect_stdouts": False,
        "worker_cancel_long_running_tasks_on_connection_loss": False,
        "worker_proc_alive_timeout": 60.0,
        "worker_timer_precision": 1.0,
    }
