/* The kernel of the reader of captures, compiled for this computer instead of for the sandbox. */
#include "../../probe/wire/capture/kernel/kernel.c"
#include <fcntl.h>
#include <stdio.h>
#include <unistd.h>

int main(int count, char **words) {
  int file = count == 2 ? open(words[1], O_RDONLY) : -1;
  if (file < 0) return 2;
  start();
  add_port(502);
  for (;;) {
    ssize_t got = read(file, room(), 1 << 20);
    if (got <= 0) break;
    for (unsigned more = (unsigned)got; feed(more) & MUST_EMPTY; more = 0) out_empty();
  }
  finish();
  printf("%lld %lld\n", T[PACKETS], T[MATCHED]);
  return 0;
}
