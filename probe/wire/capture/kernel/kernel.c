/* Containers: pcap (both byte orders, micro- and nanoseconds, Kuznetsov's variant) and pcapng.
 *
 * The caller writes new bytes at room() and calls feed(n); what is no whole record yet stays at the front.
 * Source: IETF draft-ietf-opsawg-pcap and draft-ietf-opsawg-pcapng (from memory).
 */
#include "link.h"

static u8 input[INPUT_MAX + 64];
static u32 kept; /* bytes at the front of input that wait for more */
static u64 skip, offset; /* bytes to pass over; place in the file of the first byte in input */
static int swapped;
static u32 record_header, check_bytes;

typedef struct {
  u32 link, snap, check;
  u8 base2, exponent;
  i64 shift; /* seconds */
} Interface;

static Interface interfaces[INTERFACES];
static u32 interface_count;

INLINE u32 word(const u8 *p) {
  u32 v = raw32(p);
  return swapped ? __builtin_bswap32(v) : v;
}
INLINE u16 half(const u8 *p) {
  u16 v = (u16)(p[0] | p[1] << 8);
  return swapped ? (u16)(v << 8 | v >> 8) : v;
}

/* The file ends here, or cannot be read any further. */
static void stop(i64 status, const u8 *here) {
  T[STATUS] = status;
  T[DAMAGED_AT] = (i64)offset + (here - input);
}

/* -- pcap ----------------------------------------------------------------------------------------------- */

static u32 pcap_start(const u8 *p) {
  u32 magic = raw32(p);
  swapped = magic == 0xD4C3B2A1u || magic == 0x4D3CB2A1u || magic == 0x34CDB2A1u;
  T[BIG_ENDIAN_FILE] = swapped;
  T[FORMAT] = 1;
  T[TICK] = magic == 0xA1B23C4Du || magic == 0x4D3CB2A1u ? 1 : 1000;
  record_header = magic == 0xA1B2CD34u || magic == 0x34CDB2A1u ? 24 : 16;
  u32 network = word(p + 20);
  T[SNAP_LENGTH] = word(p + 16);
  interfaces[0].link = network & 0xFFFF;
  check_bytes = network & 0x04000000 ? (network >> 28) * 2 : 0;
  T[LINK_TYPE] = interfaces[0].link;
  interface_count = 1;
  T[INTERFACES_SEEN] = 1;
  T[SECTIONS] = 1;
  return 24;
}

static u32 pcap_records(const u8 *p, u32 n) {
  u32 at = 0, link = interfaces[0].link, tick = (u32)T[TICK];
  while (n - at >= record_header) {
    const u8 *r = p + at;
    u32 cap = word(r + 8), wire = word(r + 12);
    if (UNLIKELY(cap > FRAME_MAX)) {
      stop(DAMAGED, r);
      return at;
    }
    if (n - at - record_header < cap) break;
    if (UNLIKELY(out_used > OUT_BYTES - OUT_HEAD - OUT_FRAME - 8)) break;
    i64 ts = (i64)word(r) * 1000000000 + (i64)((u64)word(r + 4) * tick);
    frame(r + record_header, cap, wire, ts, link, check_bytes);
    at += record_header + cap;
  }
  return at;
}

/* -- pcapng --------------------------------------------------------------------------------------------- */

static i64 nanoseconds(const Interface *i, u64 ts) {
  static const u64 power[10] = {1000000000, 100000000, 10000000, 1000000, 100000, 10000, 1000, 100, 10, 1};
  i64 ns;
  if (i->base2) {
    u32 bits = i->exponent < 63 ? i->exponent : 63;
    u64 rest = ts & ((1ull << bits) - 1);
    u32 down = bits > 32 ? bits - 32 : 0;
    ns = (i64)(ts >> bits) * 1000000000 + (i64)((rest >> down) * 1000000000 >> (bits - down));
  } else if (i->exponent <= 9) ns = (i64)(ts * power[i->exponent]);
  else {
    for (u32 e = i->exponent; e > 9; e--) ts /= 10;
    ns = (i64)ts;
  }
  return ns + i->shift * 1000000000;
}

static void interface_block(const u8 *p, u32 n) {
  if (n < 20) return;
  T[INTERFACES_SEEN]++;
  if (interface_count == INTERFACES) {
    interface_count--; /* those that are too many share the last place */
    T[KINDS_FULL]++;
  }
  Interface *i = &interfaces[interface_count++];
  *i = (Interface){.link = half(p + 8), .snap = word(p + 12), .exponent = 6};
  if (T[SNAP_LENGTH] < i->snap) T[SNAP_LENGTH] = i->snap;
  u32 at = 16;
  while (at + 4 <= n - 4) {
    u32 code = half(p + at), size = half(p + at + 2);
    if (!code || at + 4 + size > n - 4) break;
    const u8 *v = p + at + 4;
    if (code == 9 && size == 1) {
      i->base2 = v[0] >> 7;
      i->exponent = v[0] & 127;
    } else if (code == 14 && size == 8) {
      u64 low = word(v), high = word(v + 4);
      i->shift = (i64)(swapped ? low << 32 | high : high << 32 | low);
    } else if (code == 13 && size == 1) i->check = v[0];
    else if (code == 8 && size == 8 && interface_count == 1) {
      u64 low = word(v), high = word(v + 4);
      T[LINK_BPS] = (i64)((swapped ? low << 32 | high : high << 32 | low) & 0x7FFFFFFFFFFFFFFFull);
    }
    at += 4 + ((size + 3) & ~3u);
  }
  if (interface_count == 1) T[TICK] = nanoseconds(&(Interface){.base2 = i->base2, .exponent = i->exponent}, 1);
}

static void statistics_block(const u8 *p, u32 n) {
  u32 at = 20;
  while (n >= 24 && at + 4 <= n - 4) {
    u32 code = half(p + at), size = half(p + at + 2);
    if (!code || at + 4 + size > n - 4) break;
    if ((code == 5 || code == 7) && size == 8) {
      u64 low = word(p + at + 4), high = word(p + at + 8);
      T[DROPPED_BY_CAPTURE] += (i64)(swapped ? low << 32 | high : high << 32 | low);
    }
    at += 4 + ((size + 3) & ~3u);
  }
}

/* Enhanced (6) and obsolete (2) packet blocks; 0 if the block cannot be what it says. */
static int packet_block(const u8 *p, u32 n, u32 type) {
  if (n < 32) return 0;
  u32 id = type == 6 ? word(p + 8) : half(p + 8), cap = word(p + 20), wire = word(p + 24);
  if (cap > n - 32 || id >= (u32)T[INTERFACES_SEEN]) return 0;
  const Interface *i = &interfaces[id < interface_count ? id : interface_count - 1];
  if (!interface_count) return 0;
  u64 ts = (u64)word(p + 12) << 32 | word(p + 16);
  frame(p + 28, cap, wire, nanoseconds(i, ts), i->link, i->check);
  return 1;
}

static int simple_block(const u8 *p, u32 n) {
  if (n < 16 || !interface_count) return 0;
  u32 wire = word(p + 8), cap = wire, snap = interfaces[0].snap;
  if (snap && cap > snap) cap = snap;
  if (cap > n - 16) cap = n - 16;
  T[NO_TIME]++;
  frame(p + 12, cap, wire, T[LAST_NS], interfaces[0].link, interfaces[0].check);
  return 1;
}

/* A section's byte order must be known before the length of its own first block can be read, which may be before
 * the block is there whole: this may happen any number of times, section_begins once. */
static int section_order(const u8 *p) {
  u32 order = raw32(p + 8);
  if (order != 0x1A2B3C4Du && order != 0x4D3C2B1Au) return 0;
  swapped = order == 0x4D3C2B1Au;
  return 1;
}

static void section_begins(void) {
  T[BIG_ENDIAN_FILE] = swapped;
  T[SECTIONS]++;
  interface_count = 0;
  T[INTERFACES_SEEN] = 0;
}

enum { SECTION = 0x0A0D0D0A };

static u32 pcapng_blocks(const u8 *p, u32 n) {
  u32 at = 0;
  while (n - at >= 12) {
    const u8 *b = p + at;
    u32 type = word(b);
    if (type == SECTION && !section_order(b)) break;
    u32 size = word(b + 4);
    if (size < 12 || size & 3) break;
    if (size > n - at) {
      if (size <= FRAME_MAX) return at;
      if (type == 6 || type == 2 || type == 3 || type == 1) break;
      if (type == SECTION) section_begins();
      skip = size; /* names, secrets, other people's blocks: of no matter here */
      return at;
    }
    if (word(b + size - 4) != size) break;
    if (UNLIKELY(out_used > OUT_BYTES - OUT_HEAD - OUT_FRAME - 8)) return at;
    if (LIKELY(type == 6 || type == 2)) {
      if (!packet_block(b, size, type)) break;
    } else if (type == 3) {
      if (!simple_block(b, size)) break;
    } else if (type == 1) interface_block(b, size);
    else if (type == 5) statistics_block(b, size);
    else if (type == SECTION) section_begins();
    at += size;
  }
  if (n - at >= 12) stop(DAMAGED, p + at);
  return at;
}

/* -- windows -------------------------------------------------------------------------------------------- */

static int is_pcap(u32 magic) {
  return magic == 0xA1B2C3D4u || magic == 0xD4C3B2A1u || magic == 0xA1B23C4Du || magic == 0x4D3CB2A1u ||
         magic == 0xA1B2CD34u || magic == 0x34CDB2A1u;
}

static u32 begin(const u8 *p, u32 n) {
  if (n >= 4 && raw32(p) == 0x0A0D0D0Au) {
    T[FORMAT] = 2;
    T[TICK] = 1000;
    return 0;
  }
  if (n >= 4 && !is_pcap(raw32(p))) stop(NOT_A_CAPTURE, p);
  return n >= 24 && T[STATUS] == RUNNING ? pcap_start(p) : 0;
}

EXPORT(start) void start(void) { tcp_start(); }
EXPORT(add_port) void add_port(u32 port) { modbus_ports[(port & 65535) >> 3] |= (u8)(1 << (port & 7)); }
EXPORT(room) u8 *room(void) { return input + kept; }

enum { MUST_EMPTY = 1 << 30, SOME_OUT = 1 << 29, ENDED = 1 << 28 };

/* Work on what is there with n new bytes. Returns how many bytes wait (the next ones go behind them), and whether
 * rare frames are in the out-buffer, whether it must be emptied before it can go on, and whether the file ended. */
EXPORT(feed) u32 feed(u32 n) {
  u32 have = kept + n, at = 0;
  for (;;) {
    if (T[STATUS] != RUNNING) break;
    if (skip) {
      u32 step = skip < have - at ? (u32)skip : have - at;
      at += step;
      skip -= step;
      if (skip) break;
    }
    u32 done = 0;
    if (!T[FORMAT]) done = begin(input + at, have - at);
    if (T[FORMAT] == 1) done += pcap_records(input + at + done, have - at - done);
    else if (T[FORMAT] == 2) done += pcapng_blocks(input + at + done, have - at - done);
    at += done;
    if (!done && !skip) break;
    if (out_used > OUT_BYTES - OUT_HEAD - OUT_FRAME - 8) break;
  }
  kept = have - at;
  if (at && kept) __builtin_memmove(input, input + at, kept);
  offset += at;
  return kept | (out_used > OUT_BYTES - OUT_HEAD - OUT_FRAME - 8 ? MUST_EMPTY : 0) | (out_used ? SOME_OUT : 0) |
         (T[STATUS] != RUNNING ? ENDED : 0);
}

/* The file has ended: finish what waits, and say how it ended. */
EXPORT(finish) void finish(void) {
  tcp_end();
  tell_seconds();
  if (T[STATUS] != RUNNING) return;
  if (!T[FORMAT]) stop(kept || !offset ? NOT_A_CAPTURE : DONE, input);
  else if (kept || skip) stop(CUT_SHORT, input + kept);
  else T[STATUS] = DONE;
}

EXPORT(out_empty) void out_empty(void) { out_used = 0; }

/* Tables: where, how many rows, bytes a row; in the order of layout.py. */
#define TABLE(number, place, rows, size) case number: return what == 0 ? (u32)(unsigned long)(place) : what == 1 ? (u32)(rows) : (u32)(size);
EXPORT(table) u32 table(u32 number, u32 what) {
  if (what == 0) tell_seconds();
  switch (number) {
    TABLE(0, T, TOTALS, sizeof(T[0]))
    TABLE(1, out, out_used, 1)
    TABLE(2, hosts, host_count, sizeof(Host))
    TABLE(3, kinds, KINDS, sizeof(Kind))
    TABLE(4, bins, bins_used, sizeof(Bin))
    TABLE(5, fine, FINE, sizeof(fine[0]))
    TABLE(6, exact_device, T[EXACT_COUNT], 4)
    TABLE(7, exact_ns, T[EXACT_COUNT], 8)
    TABLE(8, devices, device_count + (T[DEVICES_FULL] ? 1 : 0), sizeof(Device))
    TABLE(9, writes, write_count, sizeof(Write))
    TABLE(10, functions, 256, 8)
    TABLE(11, entries, REQUESTS, sizeof(Entry))
    TABLE(12, distinct, DISTINCT, sizeof(Distinct))
    TABLE(13, units, 256, 1)
  }
  return 0;
}
