/* Hosts, protocols, load by time, reply times: bounded tables. */
#ifndef TABLES_H
#define TABLES_H
#include "base.h"

/* -- hosts: who sends how much, and from which hardware address ------------------------------------- */

typedef struct {
  u8 hardware[6];
  u8 by; /* 1: told by ARP, 2: seen as source of IP frames */
  u8 spare;
  u32 arp, ip;
  i64 first, last;
} Claim;

typedef struct {
  u8 address[16];
  u8 kind; /* 0 free, 1 IP address, 2 hardware address */
  u8 claims;
  u16 spare;
  u32 chain;
  u64 frames, bytes;
  Claim claim[4];
} Host;

static Host hosts[HOSTS];
static u32 host_heads[HOSTS * 2];
static u32 host_count;
static u32 host_order; /* grows when rows move */

INLINE u32 address_hash(const u8 *a) {
  return (u32)(mix(raw64(a) ^ mix(raw64(a + 8) + 0x51ull)) >> 8);
}

static void link_host(u32 i) {
  u32 slot = address_hash(hosts[i].address) & (HOSTS * 2 - 1);
  hosts[i].chain = host_heads[slot];
  host_heads[slot] = i + 1;
}

/* Forget the quietest hosts, so that a scan or a storm of made-up addresses does not hide the busy ones. */
NOINLINE void prune_hosts(void) {
  u64 least = 1;
  u32 left = host_count;
  T[HOSTS_FULL]++;
  host_order++;
  while (left > HOSTS / 2) {
    left = 0;
    for (u32 i = 0; i < host_count; i++) left += hosts[i].frames > least;
    if (left > HOSTS / 2) least *= 2;
  }
  for (u32 i = 0; i < HOSTS * 2; i++) host_heads[i] = 0;
  left = 0;
  for (u32 i = 0; i < host_count; i++) {
    if (hosts[i].frames <= least) {
      T[OTHER_FRAMES] += (i64)hosts[i].frames;
      T[OTHER_BYTES] += (i64)hosts[i].bytes;
      continue;
    }
    if (left != i) hosts[left] = hosts[i];
    link_host(left++);
  }
  host_count = left;
}

INLINE Host *host_of(const u8 *address, u8 kind) {
  u32 slot = address_hash(address) & (HOSTS * 2 - 1);
  for (u32 i = host_heads[slot]; i; i = hosts[i - 1].chain) {
    Host *h = &hosts[i - 1];
    if (raw64(h->address) == raw64(address) && raw64(h->address + 8) == raw64(address + 8) && h->kind == kind)
      return h;
  }
  if (host_count == HOSTS) prune_hosts();
  Host *h = &hosts[host_count];
  *h = (Host){.kind = kind};
  copy(h->address, address, 16);
  link_host(host_count++);
  return h;
}

/* Note that the address was used by this hardware. by: 1 ARP, 2 source of an IP frame. */
INLINE void claim(Host *h, const u8 *hardware, u8 by, i64 ts) {
  u32 i = 0;
  for (; i < h->claims; i++)
    if (same(h->claim[i].hardware, hardware, 6)) break;
  if (i == 4) return;
  Claim *c = &h->claim[i];
  if (i == h->claims) {
    *c = (Claim){.first = ts};
    copy(c->hardware, hardware, 6);
    h->claims++;
  }
  c->by |= by;
  if (by == 1) c->arp++; else c->ip++;
  c->last = ts;
}

/* -- protocols and ports ------------------------------------------------------------------------------ */

/* what: 1 EtherType, 2 LLC service access points, 3 IP protocol, 4 TCP port, 5 UDP port, 6 link type, 7 VLAN */
typedef struct {
  u32 what, number;
  u64 frames, bytes;
} Kind;

static Kind kinds[KINDS + 1]; /* the last row takes what found no other */

/* Row of a protocol. */
NOINLINE u32 kind_of(u32 what, u32 number) {
  u32 slot = (u32)(mix((u64)what << 32 | number) >> 8) & (KINDS - 1);
  for (u32 i = 0; i < 16; i++, slot = (slot + 1) & (KINDS - 1)) {
    Kind *k = &kinds[slot];
    if (!k->what) {
      k->what = what;
      k->number = number;
    }
    if (k->what == what && k->number == number) return slot;
  }
  return KINDS;
}

INLINE void count_kind(u32 row, u32 bytes) {
  kinds[row].frames++;
  kinds[row].bytes += bytes;
  if (UNLIKELY(row == KINDS)) T[KINDS_FULL]++;
}

INLINE void seen(u32 what, u32 number, u32 bytes) { count_kind(kind_of(what, number), bytes); }

/* -- load by time ------------------------------------------------------------------------------------- */

typedef struct {
  u64 packets, bytes, group; /* bytes: as the wire is occupied, with preamble, check sequence and gap */
  u64 replies, sum_ns, least_ns, most_ns;
  u32 columns[BIN_COLUMNS]; /* four to an octave from 2^13 ns */
} Bin;

static Bin bins[BINS];
static i64 reply_start, reply_end; /* of the bin of the last reply */
static u32 reply_at, bins_used;

static void fold_bin(Bin *to, const Bin *from) {
  to->packets += from->packets;
  to->bytes += from->bytes;
  to->group += from->group;
  if (from->replies && (!to->replies || from->least_ns < to->least_ns)) to->least_ns = from->least_ns;
  if (from->most_ns > to->most_ns) to->most_ns = from->most_ns;
  to->replies += from->replies;
  to->sum_ns += from->sum_ns;
  for (u32 i = 0; i < BIN_COLUMNS; i++) to->columns[i] += from->columns[i];
}

/* Twice the width: each two bins become one. */
static void widen_bins(void) {
  for (u32 i = 0; i < BINS / 2; i++) {
    if (i) bins[i] = bins[2 * i];
    fold_bin(&bins[i], &bins[2 * i + 1]);
  }
  for (u32 i = BINS / 2; i < BINS; i++) bins[i] = (Bin){0};
  T[BIN_WIDTH_NS] *= 2;
  reply_end = reply_start; /* the place of the last reply has moved */
  bins_used = (bins_used + 1) / 2;
}

/* Number of the bin of an instant; what lies before the first frame counts as its bin. */
NOINLINE u32 bin_of(i64 ts) {
  i64 since = ts - T[FIRST_NS];
  if (since < 0) since = 0;
  while (since / T[BIN_WIDTH_NS] >= BINS) widen_bins();
  u32 at = (u32)(since / T[BIN_WIDTH_NS]);
  if (at >= bins_used) bins_used = at + 1;
  return at;
}

/* Seconds since the first frame, the newest 64 of them: peaks are per second whatever the bins' width. A frame
 * counts in its second only; seconds are added to the bins when their place is needed, or figures are asked for. */
typedef struct {
  i64 number;
  u64 bytes, told_bytes;
  u32 packets, group, told_packets, told_group;
} Second;

static Second seconds[64];
static i64 second_start;
static Second *second;

static void tell_second(Second *s) {
  i64 start = T[FIRST_NS] + s->number * 1000000000;
  Bin *b = &bins[bin_of(start)];
  b->packets += s->packets - s->told_packets;
  b->bytes += s->bytes - s->told_bytes;
  T[OCCUPIED_BYTES] += (i64)(s->bytes - s->told_bytes);
  b->group += s->group - s->told_group;
  s->told_packets = s->packets;
  s->told_bytes = s->bytes;
  s->told_group = s->group;
  if (s->group > T[PEAK_GROUP]) T[PEAK_GROUP] = s->group, T[PEAK_GROUP_NS] = start;
  if (s->packets > T[PEAK_PACKETS]) T[PEAK_PACKETS] = s->packets, T[PEAK_PACKETS_NS] = start;
  if ((i64)s->bytes > T[PEAK_BYTES]) T[PEAK_BYTES] = (i64)s->bytes, T[PEAK_BYTES_NS] = start;
}

static i64 untold_targets; /* frames whose link does not tell whom they are for */

static void tell_seconds(void) {
  T[UNICAST] = T[PACKETS] - T[MULTICAST] - T[BROADCAST] - untold_targets;
  for (u32 i = 0; i < 64; i++)
    if (seconds[i].packets > seconds[i].told_packets) tell_second(&seconds[i]);
}

NOINLINE void find_second(i64 ts) {
  i64 since = ts - T[FIRST_NS], number = since / 1000000000;
  if (since < 0) number = -((-since + 999999999) / 1000000000);
  second = &seconds[(u32)number & 63];
  second_start = T[FIRST_NS] + number * 1000000000;
  if (second->number == number) return;
  if (second->packets > second->told_packets) tell_second(second);
  *second = (Second){.number = number};
}

INLINE void load(i64 ts, u32 occupied, int group) {
  if (UNLIKELY((u64)(ts - second_start) >= 1000000000ull || !second)) find_second(ts);
  second->bytes += occupied;
  second->packets++;
  second->group += (u32)group;
}

/* -- reply times -------------------------------------------------------------------------------------- */

static u32 exact_device[EXACT];
static u64 exact_ns[EXACT];
static u32 fine[FINE];

/* Column of a time on a scale with 2^bits columns to an octave; times under 2^bits ns are their own column. */
INLINE u32 column(u64 ns, u32 bits) {
  if (ns < 1ull << bits) return (u32)ns;
  u32 top = 63 - (u32)__builtin_clzll(ns);
  return (top - bits + 1) << bits | (u32)(ns >> (top - bits) & ((1u << bits) - 1));
}

INLINE u32 limited(u32 value, u32 most) { return value < most ? value : most - 1; }

static void reply_in_bin(i64 ts, u64 ns) {
  if (UNLIKELY(ts < reply_start || ts >= reply_end)) {
    reply_at = bin_of(ts);
    reply_start = T[FIRST_NS] + reply_at * T[BIN_WIDTH_NS];
    reply_end = reply_start + T[BIN_WIDTH_NS];
  }
  Bin *b = &bins[reply_at];
  if (!b->replies || ns < b->least_ns) b->least_ns = ns;
  if (ns > b->most_ns) b->most_ns = ns;
  b->replies++;
  b->sum_ns += ns;
  u32 c = column(ns, 2);
  b->columns[c < 48 ? 0 : limited(c - 48, BIN_COLUMNS)]++;
}

#endif
