"""Every numbered statement of the Sparkplug specification 3.0.0 about an edge node, with its check or the reason against one.

A row has the identifier of the requirement (without ``tck-id-``), its content in own words, and one of:

* ``Rule``: the rule of `tests.support.sparkplug.strict_host` that checks it on every message of the tests of a life, a
  link and a daemon;
* ``Test``: a test of this folder;
* ``NotOurs``: why it does not apply.

Sources: chapter 4 of the specification 3.0.0 (2022-11-16; repository eclipse-sparkplug/sparkplug, folder
specification/src/main/asciidoc/chapters) in a nearly final text, drafts of chapter 5, the first part of chapter 6; identifiers
and levels of chapters 5 and 6 from two public lists of them.  A recommendation or permission of the specification is in the
table too, with that level.  Statements about hosts and brokers are in `requirements_of_others`.
"""

from dataclasses import dataclass


@dataclass(frozen=True)
class Rule:
    identifier: str


@dataclass(frozen=True)
class Test:
    __test__ = False
    file: str
    name: str


@dataclass(frozen=True)
class NotOurs:
    reason: str


NO_TEMPLATES = NotOurs("the node sends no templates")
NO_DATASETS = NotOurs("the node sends no data sets")
NO_NDATA = NotOurs("the metrics of the node itself do not change within a session, so it sends no NDATA")
HOST_SENDS = NotOurs("a host sends this message; the node only reads it, and ignores one that it cannot read")
PERMISSION = NotOurs("a permission, which the node does not use")
ONE_BROKER = NotOurs("the node has one broker in its file; it leaves it and connects again")
PLANT = NotOurs("a person chooses the names in the file; one node cannot see those of others")

LIFE = Test("test_life.py", "TestLife")
LINK = Test("test_link.py", "test_births_changes_results_and_a_farewell")
TOPICS = Test("test_payloads.py", "test_topics_are_those_of_the_specification")
CHARACTERS = Test("test_payloads.py", "test_identifiers_refuse_reserved_characters")
BYTES = Test("test_payloads.py", "test_bytes_are_those_of_another_library")
NUMBERS = Test("test_life.py", "test_numbers_go_round_after_255")
SESSIONS = Test("test_link.py", "test_numbers_of_sessions_go_on_after_255_and_over_new_starts")
WAITS = Test("test_link.py", "test_births_wait_for_the_primary_host_and_end_with_it")
CONNECT = Test("test_requirements.py", "test_the_connect_packet_and_the_subscriptions")
DISCONNECT = Test("test_requirements.py", "test_an_intended_end_publishes_the_death_and_then_disconnects")
PENDING = Test("test_requirements.py", "test_no_data_between_a_request_for_a_rebirth_and_the_birth")
UTC = Test("test_requirements.py", "test_times_are_milliseconds_since_1970_in_utc")
TYPES = Test("test_payloads.py", "test_type_codes_are_those_of_the_specification")
NULLS = Test("test_payloads.py", "test_numbers_that_are_not_finite_are_null")
NO_COMMAND = Test("test_life.py", "test_no_command_changes_anything")
REBIRTH = Test("test_life.py", "test_a_rebirth_keeps_birth_death_number_and_aliases")
GONE = Test("test_daemon.py", "test_devices_come_and_go_and_a_rebirth_repeats_all_births")

CHANGES = Test("test_requirements.py", "test_only_values_that_changed_are_sent")
CASE = Test("test_metrics.py", "test_names_differ_in_more_than_the_case_of_letters")

REQUIREMENTS = (
    # chapters 1 and 2
    ("intro-group-id-string", "the group is UTF-8 text and a level of the topics", TOPICS),
    ("intro-group-id-chars", "the group has only characters that MQTT allows in topics", CHARACTERS),
    ("intro-edge-node-id-string", "the node's name is UTF-8 text and a level of the topics", TOPICS),
    ("intro-edge-node-id-chars", "the node's name has only characters that MQTT allows in topics", CHARACTERS),
    ("intro-device-id-string", "a device's name is UTF-8 text and a level of the topics", TOPICS),
    ("intro-device-id-chars", "a device's name has only characters that MQTT allows in topics", CHARACTERS),
    ("intro-edge-node-id-uniqueness", "group and node together are used once in the plant", PLANT),
    ("principles-rbe-recommended", "data are sent when they change (recommended)", CHANGES),
    ("principles-birth-certificates-order", "the birth is the first message of a session", LINK),
    ("principles-persistence-clean-session-311", "with MQTT 3.1.1 the session is clean", CONNECT),
    ("principles-persistence-clean-session-50", "with MQTT 5 the start is clean and the session ends at once", CONNECT),
    # chapter 4: topics
    ("topic-structure", "topics are namespace, group, kind, node and, for a device, its name", Rule("topic-structure")),
    ("topic-structure-namespace-a", "the namespace is spBv1.0", Rule("topic-structure")),
    ("topic-structure-namespace-valid-group-id", "the group has none of + / #", CHARACTERS),
    ("topic-structure-namespace-unique-edge-node-descriptor", "group and node are used once in the plant", PLANT),
    ("topic-structure-namespace-valid-edge-node-id", "the node's name has none of + / #", CHARACTERS),
    ("topic-structure-namespace-valid-device-id", "a device's name has none of + / #", CHARACTERS),
    ("topic-structure-namespace-unique-device-id", "a node reports each device name once", LIFE),
    ("topic-structure-namespace-duplicate-device-id-across-edge-node", "nodes may share names of devices", PERMISSION),
    ("topic-structure-namespace-device-id-associated-message-types", "messages of devices have the device's name",
     Rule("topic-structure-namespace-device-id-associated-message-types")),
    ("topic-structure-namespace-device-id-non-associated-message-types", "messages of the node have no device's name",
     Rule("topic-structure-namespace-device-id-associated-message-types")),
    ("topics-nbirth-topic", "form of the topic of the node's birth", Rule("topic-structure")),
    ("topics-nbirth-mqtt", "the node's birth has QoS 0 and is not retained", Rule("topics-nbirth-mqtt")),
    ("topics-nbirth-seq-num", "the node's birth has number 0", Rule("topics-nbirth-seq-num")),
    ("topics-nbirth-timestamp", "the node's birth has the time of sending", Rule("topics-nbirth-timestamp")),
    ("topics-nbirth-metric-reqs", "the node's birth has every metric that the node will report", LIFE),
    ("topics-nbirth-metrics", "each metric of the node's birth has name, type and value", Rule("payloads-metric-datatype-req")),
    ("topics-nbirth-templates", "templates are defined in the node's birth", NO_TEMPLATES),
    ("topics-nbirth-bdseq-included", "the node's birth has the birth/death number", Rule("topics-nbirth-bdseq-included")),
    ("topics-nbirth-bdseq-matching", "it is that of the will", Rule("topics-nbirth-bdseq-matching")),
    ("topics-nbirth-bdseq-increment", "it starts at 0 and grows by 1 with each connection", SESSIONS),
    ("topics-nbirth-rebirth-metric", "the node's birth has the command for a rebirth", Rule("topics-nbirth-rebirth-metric")),
    ("topics-ndata-topic", "form of the topic of the node's data", NO_NDATA),
    ("topics-ndata-mqtt", "the node's data have QoS 0 and are not retained", NO_NDATA),
    ("topics-ndata-seq-num", "the node's data have the next number", NO_NDATA),
    ("topics-ndata-timestamp", "the node's data have the time of sending", NO_NDATA),
    ("topics-ndata-payload", "the node's data have the changed metrics", NO_NDATA),
    ("topics-ndeath-topic", "form of the topic of the node's death",
     Rule("message-flow-edge-node-birth-publish-will-message-topic")),
    ("topics-ndeath-payload", "the node's death has the birth/death number alone", Rule("topics-ndeath-payload")),
    ("topics-ndeath-seq", "the node's death has no number", Rule("topics-ndeath-seq")),
    ("topics-ncmd-topic", "form of the topic of commands to the node", TOPICS),
    ("topics-ncmd-mqtt", "commands have QoS 0 and are not retained", HOST_SENDS),
    ("topics-ncmd-timestamp", "commands have the time of sending", HOST_SENDS),
    ("topics-ncmd-payload", "commands have the metrics to write", HOST_SENDS),
    ("topics-dbirth-topic", "form of the topic of a device's birth", Rule("topic-structure")),
    ("topics-dbirth-mqtt", "a device's birth has QoS 0 and is not retained", Rule("topics-dbirth-mqtt")),
    ("topics-dbirth-seq", "a device's birth has the next number", Rule("topics-dbirth-seq-num")),
    ("topics-dbirth-timestamp", "a device's birth has the time of sending", Rule("payloads-dbirth-timestamp")),
    ("topics-dbirth-metric-reqs", "a device's birth has every metric that it will report",
     Rule("operational-behavior-data-publish-dbirth")),
    ("topics-dbirth-metrics", "each metric of a device's birth has name, type and value", Rule("payloads-metric-datatype-req")),
    ("topics-ddata-topic", "form of the topic of a device's data", Rule("topic-structure")),
    ("topics-ddata-mqtt", "a device's data have QoS 0 and are not retained", Rule("topics-ddata-mqtt")),
    ("topics-ddata-seq-num", "a device's data have the next number", Rule("topics-ddata-seq-num")),
    ("topics-ddata-timestamp", "a device's data have the time of sending", Rule("payloads-ddata-timestamp")),
    ("topics-ddata-payload", "a device's data have the changed metrics", LINK),
    ("topics-ddeath-topic", "form of the topic of a device's death", Rule("topic-structure")),
    ("topics-ddeath-mqtt", "a device's death has QoS 0 and is not retained", Rule("topics-ddeath-mqtt")),
    ("topics-ddeath-seq-num", "a device's death has the next number", Rule("topics-ddeath-seq-num")),
    ("topics-dcmd-topic", "form of the topic of commands to a device", NotOurs("devices take no commands")),
    ("topics-dcmd-mqtt", "commands have QoS 0 and are not retained", HOST_SENDS),
    ("topics-dcmd-timestamp", "commands have the time of sending", HOST_SENDS),
    ("topics-dcmd-payload", "commands have the metrics to write", HOST_SENDS),
    # chapter 5: names
    ("case-sensitivity-sparkplug-ids", "names of devices differ in more than their case (recommended)", CASE),
    ("case-sensitivity-metric-names", "names of metrics differ in more than their case (recommended)", CASE),
    # chapter 5: sessions
    ("message-flow-edge-node-ncmd-subscribe", "the node subscribes to its commands with QoS 1", CONNECT),
    ("message-flow-edge-node-birth-publish-connect", "the session is made before the births", LIFE),
    ("message-flow-edge-node-birth-publish-will-message", "the CONNECT has a will", CONNECT),
    ("message-flow-edge-node-birth-publish-will-message-topic", "the will's topic is that of the node's death",
     Rule("message-flow-edge-node-birth-publish-will-message-topic")),
    ("message-flow-edge-node-birth-publish-will-message-payload", "the will is a Sparkplug payload", BYTES),
    ("message-flow-edge-node-birth-publish-will-message-payload-bdSeq", "the will's number is one more than before, 0 after 255",
     Rule("topics-nbirth-bdseq-increment")),
    ("message-flow-edge-node-birth-publish-will-message-qos", "the will has QoS 1", Rule("payloads-ndeath-will-message-qos")),
    ("message-flow-edge-node-birth-publish-will-message-will-retained", "the will is not retained",
     Rule("payloads-ndeath-will-message-retain")),
    ("message-flow-edge-node-birth-publish-phid-wait", "with a primary host the births wait until it is online", WAITS),
    ("message-flow-edge-node-birth-publish-phid-wait-id", "the host is the one of the file", WAITS),
    ("message-flow-edge-node-birth-publish-phid-wait-online", "its state says online: true", LIFE),
    ("message-flow-edge-node-birth-publish-phid-wait-timestamp", "its state is not older than the last one", LIFE),
    ("message-flow-edge-node-birth-publish-nbirth-topic", "form of the topic of the node's birth", Rule("topic-structure")),
    ("message-flow-edge-node-birth-publish-nbirth-payload", "the node's birth is a Sparkplug payload", BYTES),
    ("message-flow-edge-node-birth-publish-nbirth-payload-bdSeq", "its birth/death number is an Int64 and that of the will",
     Rule("topics-nbirth-bdseq-matching")),
    ("message-flow-edge-node-birth-publish-nbirth-qos", "the node's birth has QoS 0", Rule("topics-nbirth-mqtt")),
    ("message-flow-edge-node-birth-publish-nbirth-retained", "the node's birth is not retained", Rule("topics-nbirth-mqtt")),
    ("message-flow-edge-node-birth-publish-nbirth-payload-seq", "its number is 0 to 255", Rule("topics-nbirth-seq-num")),
    ("message-flow-edge-node-birth-publish-phid-offline", "where the host goes offline, the node dies and connects again", WAITS),
    ("operational-behavior-edge-node-intentional-disconnect-ndeath", "an intended end publishes the death first", DISCONNECT),
    ("operational-behavior-edge-node-intentional-disconnect-packet", "a DISCONNECT may follow the death at once", DISCONNECT),
    ("operational-behavior-edge-node-termination-host-offline", "the node leaves the broker where the host is offline", WAITS),
    ("operational-behavior-edge-node-termination-host-offline-reconnect", "it then tries the next broker", WAITS),
    ("operational-behavior-edge-node-termination-host-offline-timestamp", "an old offline state is ignored", LIFE),
    ("message-flow-device-dcmd-subscribe", "a device with outputs subscribes to its commands",
     NotOurs("devices have no outputs: nothing in the plant is written through Sparkplug")),
    ("message-flow-device-birth-publish-nbirth-wait", "a device's birth follows the node's in the same session", LIFE),
    ("message-flow-device-birth-publish-dbirth-topic", "form of the topic of a device's birth", Rule("topic-structure")),
    ("message-flow-device-birth-publish-dbirth-match-edge-node-topic", "it has group and node of the node's birth",
     Rule("topic-structure")),
    ("message-flow-device-birth-publish-dbirth-payload", "a device's birth is a Sparkplug payload", BYTES),
    ("message-flow-device-birth-publish-dbirth-qos", "a device's birth has QoS 0", Rule("topics-dbirth-mqtt")),
    ("message-flow-device-birth-publish-dbirth-retained", "a device's birth is not retained", Rule("topics-dbirth-mqtt")),
    ("message-flow-device-birth-publish-dbirth-payload-seq", "its number is the next one", Rule("topics-dbirth-seq-num")),
    ("operational-behavior-device-ddeath", "a lost device gets its death", GONE),
    ("operational-behavior-primary-application-state-with-multiple-servers-state-subs",
     "with a primary host the node subscribes to its state", CONNECT),
    ("operational-behavior-primary-application-state-with-multiple-servers-single-server",
     "the node is connected to one broker at a time", ONE_BROKER),
    ("operational-behavior-primary-application-state-with-multiple-servers-walk",
     "where the host is offline, the node goes to the next broker", ONE_BROKER),
    ("operational-behavior-edge-node-birth-sequence-wait", "the births wait for the host", WAITS),
    # chapter 5: data
    ("operational-behavior-data-publish-nbirth", "the node's birth has all metrics of the session", LIFE),
    ("operational-behavior-data-publish-nbirth-values", "with their present values, or null", NULLS),
    ("operational-behavior-data-publish-nbirth-change", "the node's data are sent on change (recommended)", NO_NDATA),
    ("operational-behavior-data-publish-nbirth-order", "metrics are in the order of their times", NO_NDATA),
    ("operational-behavior-data-publish-dbirth", "a device's birth has all metrics of the session",
     Rule("operational-behavior-data-publish-dbirth")),
    ("operational-behavior-data-publish-dbirth-values", "with their present values, or null",
     Test("test_metrics.py", "test_a_device_without_results_has_the_same_metrics_all_null")),
    ("operational-behavior-data-publish-dbirth-change", "a device's data are sent on change (recommended)", CHANGES),
    ("operational-behavior-data-publish-dbirth-order", "metrics are in the order of their times",
     Rule("operational-behavior-data-publish-dbirth-order")),
    # chapter 5: commands
    ("operational-behavior-data-commands-rebirth-name", "the birth has Node Control/Rebirth", Rule("topics-nbirth-rebirth-metric")),
    ("operational-behavior-data-commands-rebirth-name-aliases", "that metric has no alias",
     Rule("operational-behavior-data-commands-rebirth-name-aliases")),
    ("operational-behavior-data-commands-rebirth-datatype", "it is a Boolean", Rule("topics-nbirth-rebirth-metric")),
    ("operational-behavior-data-commands-rebirth-value", "it is false", Rule("operational-behavior-data-commands-rebirth-value")),
    ("operational-behavior-data-commands-ncmd-rebirth-verb", "a rebirth is asked for by NCMD", HOST_SENDS),
    ("operational-behavior-data-commands-ncmd-rebirth-name", "by the name of the metric", HOST_SENDS),
    ("operational-behavior-data-commands-ncmd-rebirth-value", "with the value true", HOST_SENDS),
    ("operational-behavior-data-commands-rebirth-action-1", "from the request on no data are sent", PENDING),
    ("operational-behavior-data-commands-rebirth-action-2", "then all births are sent", GONE),
    ("operational-behavior-data-commands-rebirth-action-3", "with the same birth/death number", REBIRTH),
    ("operational-behavior-data-commands-ncmd-verb", "commands to the node are NCMD", HOST_SENDS),
    ("operational-behavior-data-commands-ncmd-metric-name", "they name a metric of the birth (recommended)", HOST_SENDS),
    ("operational-behavior-data-commands-ncmd-metric-value", "their value fits the metric", NO_COMMAND),
    ("operational-behavior-data-commands-dcmd-verb", "commands to a device are DCMD", HOST_SENDS),
    ("operational-behavior-data-commands-dcmd-metric-name", "they name a metric of the birth (recommended)", HOST_SENDS),
    ("operational-behavior-data-commands-dcmd-metric-value", "their value fits the metric", HOST_SENDS),
    # chapter 6: payloads
    ("payloads-timestamp-in-UTC", "the time of a payload is UTC", UTC),
    ("payloads-sequence-num-always-included", "every message but the node's death has a number", Rule("topics-ddata-seq-num")),
    ("payloads-sequence-num-req-nbirth", "the node's birth has a number of 0 to 255", Rule("topics-nbirth-seq-num")),
    ("payloads-sequence-num-incrementing", "numbers grow by 1 and start again after 255", NUMBERS),
    ("payloads-name-requirement", "every metric has a name where there is no alias", Rule("payloads-name-requirement")),
    ("payloads-alias-uniqueness", "no two metrics of the node have one alias", Rule("payloads-alias-uniqueness")),
    ("payloads-alias-birth-requirement", "births have name and alias", Rule("payloads-alias-birth-requirement")),
    ("payloads-alias-data-cmd-requirement", "data have the alias alone", Rule("payloads-alias-data-cmd-requirement")),
    ("payloads-name-birth-data-requirement", "every metric has a time", Rule("payloads-name-birth-data-requirement")),
    ("payloads-name-cmd-requirement", "metrics of commands may have a time", HOST_SENDS),
    ("payloads-metric-timestamp-in-UTC", "the time of a metric is UTC", UTC),
    ("payloads-metric-datatype-value-type", "a type is an unsigned 32-bit number", BYTES),
    ("payloads-metric-datatype-value", "it is one of the listed types", TYPES),
    ("payloads-metric-datatype-req", "births have the types", Rule("payloads-metric-datatype-req")),
    ("payloads-metric-datatype-not-req", "data have no types (recommended)", Rule("payloads-metric-datatype-not-req")),
    ("payloads-propertyset-keys-array-size", "there are as many keys as values", BYTES),
    ("payloads-propertyset-values-array-size", "there are as many values as keys", BYTES),
    ("payloads-metric-propertyvalue-type-type", "a property's type is an unsigned 32-bit number", BYTES),
    ("payloads-metric-propertyvalue-type-value", "it is one of the listed types", Rule("payloads-metric-propertyvalue-type-req")),
    ("payloads-metric-propertyvalue-type-req", "births have the types of properties",
     Rule("payloads-metric-propertyvalue-type-req")),
    ("payloads-propertyset-quality-value-type", "the quality is an Int32", Rule("payloads-propertyset-quality-value-type")),
    ("payloads-propertyset-quality-value-value", "it is 0, 192 or 500", Rule("payloads-propertyset-quality-value-value")),
    ("payloads-dataset-column-size", "count of columns", NO_DATASETS),
    ("payloads-dataset-column-num-headers", "as many headers as types", NO_DATASETS),
    ("payloads-dataset-types-def", "types of the columns", NO_DATASETS),
    ("payloads-dataset-types-num", "as many types as columns", NO_DATASETS),
    ("payloads-dataset-types-type", "types are unsigned 32-bit numbers", NO_DATASETS),
    ("payloads-dataset-types-value", "types are listed ones", NO_DATASETS),
    ("payloads-dataset-parameter-type-req", "the types are in every data set", NO_DATASETS),
    ("payloads-template-dataset-value", "values of a row", NO_DATASETS),
    ("payloads-template-definition-is-definition", "a definition says that it is one", NO_TEMPLATES),
    ("payloads-template-definition-ref", "a definition names no other", NO_TEMPLATES),
    ("payloads-template-definition-members", "a definition has its members", NO_TEMPLATES),
    ("payloads-template-definition-nbirth-only", "definitions are in the node's birth alone", NO_TEMPLATES),
    ("payloads-template-definition-nbirth", "used definitions are in the node's birth", NO_TEMPLATES),
    ("payloads-template-definition-parameters", "a definition has its parameters", NO_TEMPLATES),
    ("payloads-template-definition-parameters-default", "its parameters may have values", NO_TEMPLATES),
    ("payloads-template-instance-is-definition", "an instance says that it is no definition", NO_TEMPLATES),
    ("payloads-template-instance-ref", "an instance names its definition", NO_TEMPLATES),
    ("payloads-template-instance-members", "an instance has members of its definition only", NO_TEMPLATES),
    ("payloads-template-instance-members-birth", "in a birth it has all members", NO_TEMPLATES),
    ("payloads-template-instance-members-data", "in data it may have some members", NO_TEMPLATES),
    ("payloads-template-instance-parameters", "an instance has parameters of its definition only", NO_TEMPLATES),
    ("payloads-template-version", "a version is text", NO_TEMPLATES),
    ("payloads-template-ref-definition", "a definition names no other", NO_TEMPLATES),
    ("payloads-template-ref-instance", "an instance names its definition by text", NO_TEMPLATES),
    ("payloads-template-is-definition", "the flag is always present", NO_TEMPLATES),
    ("payloads-template-is-definition-definition", "it is true for a definition", NO_TEMPLATES),
    ("payloads-template-is-definition-instance", "it is false for an instance", NO_TEMPLATES),
    ("payloads-template-parameter-name-required", "a parameter has a name", NO_TEMPLATES),
    ("payloads-template-parameter-name-type", "the name is text", NO_TEMPLATES),
    ("payloads-template-parameter-value-type", "a parameter's type is an unsigned 32-bit number", NO_TEMPLATES),
    ("payloads-template-parameter-type-req", "a parameter has a type in births", NO_TEMPLATES),
    ("payloads-template-parameter-type-value", "it is a listed type", NO_TEMPLATES),
    ("payloads-template-parameter-value", "values of a parameter", NO_TEMPLATES),
    # chapter 6: each kind of message
    ("payloads-nbirth-timestamp", "the node's birth has the time of sending", Rule("topics-nbirth-timestamp")),
    ("payloads-nbirth-edge-node-descriptor", "group and node are used once in the plant", PLANT),
    ("payloads-nbirth-seq", "the node's birth has a number of 0 to 255", Rule("topics-nbirth-seq-num")),
    ("payloads-nbirth-bdseq", "the node's birth has the birth/death number", Rule("topics-nbirth-bdseq-included")),
    ("payloads-nbirth-bdseq-repeat", "it is that of the will", Rule("topics-nbirth-bdseq-matching")),
    ("payloads-nbirth-rebirth-req", "the node's birth has Node Control/Rebirth, false",
     Rule("operational-behavior-data-commands-rebirth-value")),
    ("payloads-nbirth-qos", "QoS 0", Rule("topics-nbirth-mqtt")),
    ("payloads-nbirth-retain", "not retained", Rule("topics-nbirth-mqtt")),
    ("payloads-dbirth-timestamp", "a device's birth has the time of sending", Rule("payloads-dbirth-timestamp")),
    ("payloads-dbirth-seq", "a device's birth has a number", Rule("topics-dbirth-seq-num")),
    ("payloads-dbirth-seq-inc", "it is the next one", Rule("topics-dbirth-seq-num")),
    ("payloads-dbirth-order", "births of present devices follow the node's at once", LIFE),
    ("payloads-dbirth-qos", "QoS 0", Rule("topics-dbirth-mqtt")),
    ("payloads-dbirth-retain", "not retained", Rule("topics-dbirth-mqtt")),
    ("payloads-ndata-timestamp", "the node's data have the time of sending", NO_NDATA),
    ("payloads-ndata-seq", "the node's data have a number", NO_NDATA),
    ("payloads-ndata-seq-inc", "it is the next one", NO_NDATA),
    ("payloads-ndata-order", "no data before the births", NO_NDATA),
    ("payloads-ndata-qos", "QoS 0", NO_NDATA),
    ("payloads-ndata-retain", "not retained", NO_NDATA),
    ("payloads-ddata-timestamp", "a device's data have the time of sending", Rule("payloads-ddata-timestamp")),
    ("payloads-ddata-seq", "a device's data have a number", Rule("topics-ddata-seq-num")),
    ("payloads-ddata-seq-inc", "it is the next one", Rule("topics-ddata-seq-num")),
    ("payloads-ddata-order", "no data before the births", Rule("payloads-ddata-order")),
    ("payloads-ddata-qos", "QoS 0", Rule("topics-ddata-mqtt")),
    ("payloads-ddata-retain", "not retained", Rule("topics-ddata-mqtt")),
    ("payloads-ncmd-timestamp", "commands have the time of sending", HOST_SENDS),
    ("payloads-ncmd-seq", "commands have no number", HOST_SENDS),
    ("payloads-ncmd-qos", "QoS 0", HOST_SENDS),
    ("payloads-ncmd-retain", "not retained", Test("test_link.py", "test_a_command_the_broker_kept_is_not_followed")),
    ("payloads-dcmd-timestamp", "commands have the time of sending", HOST_SENDS),
    ("payloads-dcmd-seq", "commands have no number", HOST_SENDS),
    ("payloads-dcmd-qos", "QoS 0", HOST_SENDS),
    ("payloads-dcmd-retain", "not retained", HOST_SENDS),
    ("payloads-ndeath-seq", "the node's death has no number", Rule("topics-ndeath-seq")),
    ("payloads-ndeath-will-message", "the node's death is the will", CONNECT),
    ("payloads-ndeath-will-message-qos", "with QoS 1", Rule("payloads-ndeath-will-message-qos")),
    ("payloads-ndeath-will-message-retain", "not retained", Rule("payloads-ndeath-will-message-retain")),
    ("payloads-ndeath-bdseq", "it has the birth/death number of the birth", Rule("topics-nbirth-bdseq-matching")),
    ("payloads-ndeath-will-message-publisher", "an intended end publishes the death (recommended)", DISCONNECT),
    ("payloads-ndeath-will-message-publisher-disconnect-mqtt311", "with MQTT 3.1.1 the death precedes DISCONNECT", DISCONNECT),
    ("payloads-ndeath-will-message-publisher-disconnect-mqtt50", "with MQTT 5 DISCONNECT has reason 4, with will", DISCONNECT),
    ("payloads-ddeath-timestamp", "a device's death has the time of sending", Rule("payloads-ddeath-timestamp")),
    ("payloads-ddeath-seq", "a device's death has a number", Rule("topics-ddeath-seq-num")),
    ("payloads-ddeath-seq-inc", "it is the next one", Rule("topics-ddeath-seq-num")),
    ("payloads-ddeath-seq-number", "it has a number, so that hosts can order it", Rule("topics-ddeath-seq-num")),
)  # fmt: skip
