"""Publishes each line of a file at QoS 1 with paho-mqtt, with a given in-flight window.

Usage: publish.py PORT TOPIC WINDOW FILE. Ends with failure unless every line was acknowledged.
"""

import sys

import paho.mqtt.client as mqtt


def main() -> int:
    port, topic, window, path = int(sys.argv[1]), sys.argv[2], int(sys.argv[3]), sys.argv[4]
    client = mqtt.Client(
        mqtt.CallbackAPIVersion.VERSION2, client_id="melt-probe", clean_session=False
    )
    client.max_inflight_messages_set(window)
    client.max_queued_messages_set(0)  # no limit: nothing is dropped here
    client.connect("127.0.0.1", port)
    client.loop_start()
    with open(path, encoding="utf-8") as lines:
        sent = [client.publish(topic, line.rstrip("\n"), qos=1) for line in lines]
    for message in sent:
        message.wait_for_publish(timeout=60)
    done = all(message.is_published() for message in sent)
    client.disconnect()
    client.loop_stop()
    return 0 if done and sent else 1


if __name__ == "__main__":
    sys.exit(main())
