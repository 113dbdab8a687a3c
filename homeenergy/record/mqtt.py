"""MQTT 3.1.1 and 5 (OASIS standards): topics of a broker that is somewhere else."""

from __future__ import annotations

import ssl
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.subscribeoptions import SubscribeOptions

from homeenergy.house.sources import Source
from homeenergy.record.link import LOOK_S, Link, host_and_port, now_ms

AT_LEAST_ONCE = 1
_ALIVE_S = 30


def broker(source: Source, folder: Path, password: str | None) -> paho.Client:
    """Make a client that is connected to the broker of a source.

    Parameters
    ----------
    source : Source
        Its address, user, version and TLS; certificates are always verified.
    folder : Path
        Of the house, from which the path of certificates begins.
    password : str or None

    Raises
    ------
    OSError
        If there is no broker, or its certificate is not to be trusted.
    """
    five = source.mqtt_version == "5"
    client = paho.Client(
        CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5 if five else paho.MQTTv311
    )
    if source.tls:
        file = None if source.certificates is None else str(folder / source.certificates)
        client.tls_set_context(ssl.create_default_context(cafile=file))
    if source.user is not None:
        client.username_pw_set(source.user, password)
    host, port = host_and_port(source.address, port=8883 if source.tls else 1883)
    client.connect(host, port, keepalive=_ALIVE_S)
    return client


def follow_topics(link: Link) -> bool:
    """Read the topics of a source; False where the broker closed the connection.

    Retained messages are older than the connection, by how much nobody knows: they are left out
    and counted.
    """
    topics = sorted({place.topic for place in link.reader.places.values() if place.topic})
    refused: list[str] = []

    def on_connect(client: paho.Client, _: Any, __: Any, reason: Any, ___: Any) -> None:
        if reason.is_failure:
            refused.append(str(reason))
            return
        if link.source.mqtt_version == "5":
            client.subscribe([(topic, SubscribeOptions(qos=AT_LEAST_ONCE)) for topic in topics])
        else:
            client.subscribe([(topic, AT_LEAST_ONCE) for topic in topics])

    def on_subscribe(_: paho.Client, __: Any, ___: int, reasons: Any, ____: Any) -> None:
        for topic, reason in zip(topics, reasons, strict=False):
            if reason.is_failure:
                link.tell(link.source.name, f"does not give the topic {topic!r} ({reason})")
        link.found()

    def on_message(_: paho.Client, __: Any, message: paho.MQTTMessage) -> None:
        if message.retain:
            link.reader.bad["retained message"] += 1
        elif readings := link.reader.message(message.topic, message.payload, now_ms()):
            link.put(readings)

    client = broker(link.source, link.folder, link.password)
    client.on_connect, client.on_message = on_connect, on_message
    client.on_subscribe = on_subscribe
    try:
        while not link.stop.is_set():
            code = client.loop(timeout=LOOK_S)
            if refused:
                raise ConnectionError(f"the broker refuses: {refused[0]}")
            if code != paho.MQTT_ERR_SUCCESS:
                return False
    finally:
        client.disconnect()
    return True
