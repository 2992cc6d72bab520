/* Types, limits and totals of the capture kernel.
 *
 * Freestanding C without a library: it is compiled to WebAssembly (kernel.wasm) and, for fuzzing with
 * sanitizers and for the benchmark, with the native compiler. All memory is static, so that a file of any size
 * or malice takes what it takes; every table that can be full counts what it had to leave out.
 */
#ifndef BASE_H
#define BASE_H

typedef unsigned char u8;
typedef unsigned short u16;
typedef unsigned int u32;
typedef unsigned long long u64;
typedef int i32;
typedef long long i64;

#ifdef __wasm__
#define EXPORT(name) __attribute__((export_name(#name)))
#else
#define EXPORT(name) __attribute__((visibility("default")))
#endif
#define INLINE static inline __attribute__((always_inline))
#define NOINLINE static __attribute__((noinline))
#define LIKELY(x) __builtin_expect(!!(x), 1)
#define UNLIKELY(x) __builtin_expect(!!(x), 0)

enum { /* limits */
  FRAME_MAX = 1 << 19, /* longest frame that is taken for one; above: the file is damaged */
  INPUT_MAX = (1 << 20) + FRAME_MAX,
  INTERFACES = 256, /* of one section of a pcapng file */
  HOSTS = 4096,
  CONNECTIONS = 2048,
  REQUESTS = 32768, /* open requests that are remembered; the oldest gives way */
  DEVICES = 1024,
  WRITES = 512,
  HELD = 512, HELD_BYTES = 1600, /* segments that wait for one before them */
  HOLES = 16,
  DISTINCT = 2048, /* different frames of the rare protocols */
  KINDS = 512, /* different protocols and ports */
  BINS = 1024, BIN_COLUMNS = 80,
  EXACT = 65536, /* reply times kept one by one; the rest in columns only */
  COLUMNS = 31 * 32, /* 32 columns to an octave of nanoseconds */
  FINE = 31 * 256,
  COPIES = 8192,
  OUT_BYTES = 1 << 18,
  POLLS = 8, /* different requests a device that are followed for the interval between them */
  PDU_MAX = 260 + 6
};

/* Totals, in this order also in figures.py (a test compares the two lists). */
enum {
  PACKETS, WIRE_BYTES, OCCUPIED_BYTES, TRUNCATED, BACKWARD, NO_TIME, FIRST_NS, LAST_NS, LOW_NS, HIGH_NS,
  STATUS, FORMAT, BIG_ENDIAN_FILE, TICK, LINK_TYPE, SNAP_LENGTH, SECTIONS, INTERFACES_SEEN, DROPPED_BY_CAPTURE,
  DAMAGED_AT, UNREAD_LINK,
  UNICAST, MULTICAST, BROADCAST, TAGGED, LENGTH_FRAMES, SHORT_FRAMES,
  ARP, ARP_REQUESTS, ARP_REPLIES, ARP_PROBES, ARP_GRATUITOUS, ARP_ODD, ARP_OTHER_SOURCE,
  IP4, IP6, FRAGMENTS, BAD_IP, TCP, UDP, ICMP, TCP_CUT,
  OPENED, SYN, SYN_ACK, FIN, RST, DATA, RETRANSMITTED, PARTLY_NEW, LATE, AHEAD, COPIES_SEEN, COPIES_WITH_DATA,
  KEEP_ALIVE, KEEP_ALIVE_BYTE, SYN_AGAIN, FIN_AGAIN, ZERO_WINDOW, SAME_ACK, REFUSED, HOLES_SKIPPED, HELD_OVER,
  REQUESTS_SEEN, RESPONSES_SEEN, EXCEPTIONS, MATCHED, MATCHED_EXCEPTIONS, REPEATED, REUSED, NEGATIVE,
  REQUESTS_HIGH_BIT, MB_CONNECTIONS, MB_RETRANSMITTED, MB_PARTLY_NEW, MB_LATE, MB_COPIES, MB_HOLES,
  SEVERAL_IN_SEGMENT, MOST_IN_SEGMENT, SPLIT, NOT_MODBUS, NOT_MODBUS_BYTES, BAD_PROTOCOL, BAD_LENGTH,
  MOST_OPEN,
  PEAK_GROUP, PEAK_GROUP_NS, PEAK_PACKETS, PEAK_PACKETS_NS, PEAK_BYTES, PEAK_BYTES_NS,
  SNMP1, SNMP2, SNMP3, SNMP_DEFAULT_NAME,
  HOSTS_FULL, OTHER_FRAMES, OTHER_BYTES, DEVICES_FULL, WRITES_FULL, KINDS_FULL, DISTINCT_FULL, EVICTED,
  REQUESTS_FORGOTTEN, EXACT_COUNT, BIN_WIDTH_NS, LINK_BPS,
  TOTALS
};

static i64 T[TOTALS];
static u32 frame_held; /* number of the frame whose bytes waited and are looked at now, 0: the last one's */
#define FRAME_NOW (frame_held ? frame_held : (u32)T[PACKETS])

/* Status of the file so far. */
enum { RUNNING, DONE, NOT_A_CAPTURE, DAMAGED, CUT_SHORT };

INLINE u16 be16(const u8 *p) { return (u16)(p[0] << 8 | p[1]); }
INLINE u32 be32(const u8 *p) {
  u32 v;
  __builtin_memcpy(&v, p, 4);
  return __builtin_bswap32(v);
}
INLINE u32 raw32(const u8 *p) {
  u32 v;
  __builtin_memcpy(&v, p, 4);
  return v;
}
INLINE u64 raw64(const u8 *p) {
  u64 v;
  __builtin_memcpy(&v, p, 8);
  return v;
}
INLINE u64 mix(u64 h) {
  h *= 0x9E3779B97F4A7C15ull;
  return h ^ h >> 32;
}
INLINE int same(const u8 *a, const u8 *b, u32 n) {
  for (u32 i = 0; i < n; i++)
    if (a[i] != b[i]) return 0;
  return 1;
}
static void copy(u8 *to, const u8 *from, u32 n) {
  for (u32 i = 0; i < n; i++) to[i] = from[i];
}

/* What is known of the frame at hand. source, target: addresses of 16 bytes as they lie in memory, IPv4 as
 * ::ffff:a.b.c.d (both kinds of processor that this runs on have the low byte first). */
typedef struct {
  i64 ts;
  u32 wire; /* bytes on the wire */
  const u8 *hardware; /* source address, 0 where the link does not tell */
  u64 source[2], target[2];
} Frame;

#endif
