"""From poller to recorder over MQTT: what a message holds, where it goes, and how nothing is lost on the way.

No broker is trusted to keep a message. A poller keeps every reading on disk (``outbox``) until the recorder has said
that it is committed; ``delivery`` sends, and sends again.
"""
