/* make N FILE: a capture of N packets of 98 bytes, 100 devices polled in turn. read FILE: the peer of the
 * reader of captures: one tuned streaming pass in windows of 1 MiB that matches requests to answers by connection,
 * transaction id, unit and function, and takes percentiles from columns; nothing else is counted. */
#include <fcntl.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum { WINDOW = 1 << 20, BODY = 98, DEVICES = 100 };

static uint16_t be16(const uint8_t *p) { return (uint16_t)(p[0] << 8 | p[1]); }
static void put16(uint8_t *p, unsigned v) { p[0] = (uint8_t)(v >> 8); p[1] = (uint8_t)v; }
static void put32(uint8_t *p, uint32_t v) { put16(p, v >> 16); put16(p + 2, v & 65535); }

static int make(long count, const char *path) {
  static uint32_t next[DEVICES][2];
  static uint8_t out[WINDOW];
  size_t used = 24;
  FILE *file = fopen(path, "wb");
  if (!file) return 1;
  uint32_t head[6] = {0xA1B2C3D4, 4 << 16 | 2, 0, 0, 262144, 1};
  memcpy(out, head, 24);
  uint64_t us = 1760000000000000ull;
  for (long i = 0; i < count; i++) {
    unsigned device = (unsigned)(i / 2 % DEVICES), answer = i & 1, tid = (unsigned)(i / 2 / DEVICES) & 65535;
    us += answer ? 300 + (unsigned)(i * 7919 % 900) : 40;
    uint8_t *r = out + used, *p = r + 16;
    uint32_t record[4] = {(uint32_t)(us / 1000000), (uint32_t)(us % 1000000), BODY, BODY};
    memcpy(r, record, 16);
    memset(p, 0, BODY);
    p[0] = p[6] = 2;
    p[answer ? 5 : 11] = 1;
    put16(p + (answer ? 10 : 4), device + 2);
    put16(p + 12, 0x0800);
    p[14] = 0x45;
    put16(p + 16, BODY - 14);
    put16(p + 18, (unsigned)i & 65535);
    p[22] = 64;
    p[23] = 6;
    put32(p + (answer ? 30 : 26), 0x0A000001);
    put32(p + (answer ? 26 : 30), 0x0A000100 + device);
    put16(p + (answer ? 36 : 34), 40000 + device);
    put16(p + (answer ? 34 : 36), 502);
    put32(p + 38, next[device][answer]);
    put32(p + 42, next[device][!answer]);
    p[46] = 0x50;
    p[47] = 0x18;
    put16(p + 48, 8192);
    put16(p + 50, (unsigned)(i * 40503) & 65535);
    put16(p + 54, tid);
    /* requests are padded with further fields that servers of a private function take: all packets alike in size */
    put16(p + 58, BODY - 54 - 6);
    p[60] = 1;
    p[61] = answer ? 3 : 3;
    next[device][answer] += BODY - 54;
    used += 16 + BODY;
    if (used + 16 + BODY > WINDOW) {
      fwrite(out, 1, used, file);
      used = 0;
    }
  }
  fwrite(out, 1, used, file);
  return fclose(file) != 0;
}

static struct {
  uint64_t hosts, ids, asked;
} open_requests[1 << 16];
static uint64_t columns[4096];

static int read_all(const char *path) {
  static uint8_t in[WINDOW + 65536];
  int file = open(path, O_RDONLY);
  if (file < 0) return 1;
  size_t kept = 0, first = 24;
  uint64_t packets = 0, matched = 0;
  for (;;) {
    ssize_t got = read(file, in + kept, WINDOW);
    if (got <= 0) break;
    size_t have = kept + (size_t)got, at = first;
    first = 0;
    while (have - at >= 16) {
      uint32_t record[4];
      memcpy(record, in + at, 16);
      if (have - at - 16 < record[2]) break;
      const uint8_t *p = in + at + 16;
      packets++;
      at += 16 + record[2];
      if (be16(p + 12) != 0x0800 || p[23] != 6) continue;
      const uint8_t *t = p + 14 + (p[14] & 15) * 4, *m = t + (t[12] >> 4) * 4;
      if (m + 8 > p + record[2]) continue;
      uint64_t ns = record[0] * 1000000000ull + record[1] * 1000ull;
      uint32_t from = be16(t), to = be16(t + 2), one, other;
      if (m[2] | m[3]) continue;
      memcpy(&one, p + 26, 4);
      memcpy(&other, p + 30, 4);
      int request = to == 502;
      uint64_t hosts = request ? (uint64_t)one << 32 | other : (uint64_t)other << 32 | one;
      uint64_t ids = (uint64_t)(request ? from : to) << 32 | (uint32_t)be16(m) << 16 | m[6] << 8 | (m[7] & 127);
      uint32_t slot = (uint32_t)((hosts ^ ids * 0x9E3779B97F4A7C15ull) * 0xC2B2AE3D27D4EB4Full >> 48);
      if (request) {
        open_requests[slot].hosts = hosts;
        open_requests[slot].ids = ids;
        open_requests[slot].asked = ns;
      } else if (from == 502 && open_requests[slot].hosts == hosts && open_requests[slot].ids == ids &&
                 open_requests[slot].asked) {
        uint64_t took = ns - open_requests[slot].asked;
        unsigned top = took ? 63 - (unsigned)__builtin_clzll(took) : 0;
        columns[top << 5 | (top > 5 ? took >> (top - 5) & 31 : 0)]++;
        open_requests[slot].asked = 0;
        matched++;
      }
    }
    kept = have - at;
    memmove(in, in + at, kept);
  }
  uint64_t seen = 0;
  for (int i = 0; i < 4096; i++) {
    seen += columns[i];
    if (seen * 2 >= matched) {
      printf("%llu %llu median column %d\n", (unsigned long long)packets, (unsigned long long)matched, i);
      break;
    }
  }
  return 0;
}

int main(int count, char **words) {
  if (count == 4 && !strcmp(words[1], "make")) return make(atol(words[2]), words[3]);
  if (count == 3 && !strcmp(words[1], "read")) return read_all(words[2]);
  return 2;
}
