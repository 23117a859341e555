/* A whole log of seven lines, made once by Python with hashlib (each `previous` is sha256 of the line before it). */
#define LINE_1 \
    "{\"line\":1,\"kind\":\"start\",\"format\":1,\"version\":\"0.1\",\"time\":\"2026-03-02T08:00:00.00000" \
    "0000Z\",\"monotonic\":\"100.000000000\",\"boottime\":\"200.000000000\",\"synchronised\":true,\"clock" \
    "_error\":\"0.000012000\",\"stamp_uncertainty\":\"0.001500000\",\"filter\":true,\"acknowledging_accep" \
    "ted\":false,\"buses\":[{\"bus\":\"can0\",\"file\":\"trace-can0.pcap\",\"link\":\"controller\",\"list" \
    "en_only\":true,\"state\":\"error active\",\"bitrate\":500000,\"sample_point\":\"0.875\",\"fd\":false" \
    ",\"restart_ms\":0,\"receive_buffer\":8388608,\"bears_stall\":\"2.200\"}],\"definitions\":[{\"file\":" \
    "\"definitions/seat.yaml\",\"sha256\":\"5d2c13d6f9fa421125a9f55e56fd0e4df9319ef30087f8f4675cd6f05135f" \
    "397\"}],\"previous\":null}" "\n"
#define LINE_2 \
    "{\"line\":2,\"kind\":\"checkpoint\",\"number\":1,\"time\":\"2026-03-02T08:00:01.000000000Z\",\"monot" \
    "onic\":\"101.000000000\",\"boottime\":\"201.000000000\",\"synchronised\":true,\"clock_error\":\"0.00" \
    "0012000\",\"buses\":[{\"bus\":\"can0\",\"bytes\":344,\"frames\":10,\"sha256\":\"fda9f04c2ded017607d6" \
    "0770485b3f2eb5872e0f48340f2c55c5bdfcffe93602\",\"socket_lost\":0,\"controller_lost\":0,\"listen_only" \
    "\":true,\"sent\":0}],\"marks\":{\"bytes\":67,\"sha256\":\"f5009db15af3d324db4d527071f73eb181e4d8727e" \
    "6ac2a215cdd7e5a5c3c089\"},\"previous\":\"ac3923db4033011fb0862fd370411c5bed64802b47959a2f0f7a32b8ca8" \
    "0230c\"}" "\n"
#define LINE_3 \
    "{\"line\":3,\"kind\":\"event\",\"time\":\"2026-03-02T08:00:01.500000000Z\",\"bus\":\"can0\",\"what\"" \
    ":\"frames lost in the socket\",\"after_frame\":14,\"before_frame\":17,\"count\":3,\"detail\":null,\"" \
    "previous\":\"254a17a48a4d4b9603989d24b6ea16e7f4597224b4d6d52a590fd8a9dbd391b1\"}" "\n"
#define LINE_4 \
    "{\"line\":4,\"kind\":\"checkpoint\",\"number\":2,\"time\":\"2026-03-02T08:00:02.000000000Z\",\"monot" \
    "onic\":\"102.000000000\",\"boottime\":\"202.000000000\",\"synchronised\":true,\"clock_error\":\"0.00" \
    "0012000\",\"buses\":[{\"bus\":\"can0\",\"bytes\":664,\"frames\":20,\"sha256\":\"e48df5b5a1f7ad049837" \
    "56e5630652098c8f14c88e63fc1ebcf9db22cde0c8be\",\"socket_lost\":3,\"controller_lost\":0,\"listen_only" \
    "\":true,\"sent\":0}],\"marks\":{\"bytes\":67,\"sha256\":\"f5009db15af3d324db4d527071f73eb181e4d8727e" \
    "6ac2a215cdd7e5a5c3c089\"},\"previous\":\"f627b9e16bf3f7e706819c492add07f6843e4f5a1208eccee6f9d3e4711" \
    "b2212\"}" "\n"
#define LINE_5 \
    "{\"line\":5,\"kind\":\"event\",\"time\":\"2026-03-02T08:00:02.100000000Z\",\"bus\":null,\"what\":\"c" \
    "lock stepped\",\"after_frame\":0,\"before_frame\":0,\"count\":null,\"detail\":\"+0.500000000\",\"pre" \
    "vious\":\"6de96e8dbc8425e086178bb93daf69ae56eecfc503ad745f04e5352978f6c37b\"}" "\n"
#define LINE_6 \
    "{\"line\":6,\"kind\":\"checkpoint\",\"number\":3,\"time\":\"2026-03-02T08:00:03.000000000Z\",\"monot" \
    "onic\":\"103.000000000\",\"boottime\":\"203.000000000\",\"synchronised\":true,\"clock_error\":\"0.00" \
    "0012000\",\"buses\":[{\"bus\":\"can0\",\"bytes\":984,\"frames\":30,\"sha256\":\"e8816c740eb9b470ce55" \
    "839b91e1070a22ca77e225278ad0fc2866bd542fa337\",\"socket_lost\":3,\"controller_lost\":0,\"listen_only" \
    "\":true,\"sent\":0}],\"marks\":{\"bytes\":134,\"sha256\":\"b7e0771ae5c88121e3b2bbaacdc6774fd14510590" \
    "397d88e4eea739a985f99d3\"},\"previous\":\"10594642dc5ef07bec44b90de7cf28750822047ccd94a03de9bd185226" \
    "f22084\"}" "\n"
#define LINE_7 \
    "{\"line\":7,\"kind\":\"end\",\"why\":\"stopped\",\"time\":\"2026-03-02T08:00:04.000000000Z\",\"monot" \
    "onic\":\"104.000000000\",\"boottime\":\"204.000000000\",\"buses\":[{\"bus\":\"can0\",\"bytes\":1080," \
    "\"frames\":33,\"sha256\":\"525cb68e4da882c687af6e5c160fc5c45b1f7b6f736d5f03ccbcebf208ee41a6\",\"sock" \
    "et_lost\":3,\"controller_lost\":0,\"listen_only\":true,\"sent\":0}],\"marks\":{\"bytes\":134,\"sha25" \
    "6\":\"b7e0771ae5c88121e3b2bbaacdc6774fd14510590397d88e4eea739a985f99d3\"},\"previous\":\"c83ae408fc2" \
    "7468d778d30311dc1b95d7cc14eb8b286229c29430de766289e2f\"}" "\n"
#define MARK_LINES "{\"time\":\"2026-03-02T08:00:01.000000000Z\",\"kind\":\"note\",\"text\":\"a\"}\n" \
    "{\"time\":\"2026-03-02T08:00:02.500000000Z\",\"kind\":\"note\",\"text\":\"b\"}\n"
#define SEAT_SUM "5d2c13d6f9fa421125a9f55e56fd0e4df9319ef30087f8f4675cd6f05135f397"
#define SUM_AT_10 "fda9f04c2ded017607d60770485b3f2eb5872e0f48340f2c55c5bdfcffe93602"
