/*
 * A running sum (digest.h) taken by a thread of its own, so that bytes are summed while they are decoded. One run of
 * bytes at a time: they belong to the thread, unchanged, from digest_thread_add to the next call of it or of
 * digest_thread_wait; the digest itself from digest_thread_open to digest_thread_close, but for right after
 * digest_thread_wait.
 */
#ifndef TT_DIGEST_THREAD_H
#define TT_DIGEST_THREAD_H

#include "digest.h"

struct digest_thread;

/* NULL when no thread can be had; then nothing is lost: digest_add does the same. digest is borrowed. */
TT_MUST_USE struct digest_thread *digest_thread_open(struct digest *digest);
/* Waits for the run before, then returns at once. False when summing failed, now or before. */
TT_MUST_USE bool digest_thread_add(struct digest_thread *thread, const void *data, size_t length);
/* Returns when everything given is in the digest. False as digest_thread_add. */
TT_MUST_USE bool digest_thread_wait(struct digest_thread *thread);
/* Waits, and ends the thread; takes NULL too. */
void digest_thread_close(struct digest_thread *thread);

#endif
