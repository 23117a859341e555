/* See digest_thread.h. */
#include "digest_thread.h"

#include <pthread.h>
#include <signal.h>
#include <stdlib.h>

struct digest_thread {
    struct digest *digest;
    pthread_t thread;
    pthread_mutex_t lock;  /* over everything below */
    pthread_cond_t changed;
    const void *data;      /* the run at work; NULL: none */
    size_t length;
    bool ending, failed;
};

static void *work(void *context)
{
    struct digest_thread *thread = context;
    pthread_mutex_lock(&thread->lock);
    for (;;) {
        while (!thread->data && !thread->ending)
            pthread_cond_wait(&thread->changed, &thread->lock);
        if (!thread->data)
            break;
        pthread_mutex_unlock(&thread->lock);
        bool good = digest_add(thread->digest, thread->data, thread->length);
        pthread_mutex_lock(&thread->lock);
        thread->failed = thread->failed || !good;
        thread->data = NULL;
        pthread_cond_broadcast(&thread->changed);
    }
    pthread_mutex_unlock(&thread->lock);
    return NULL;
}

struct digest_thread *digest_thread_open(struct digest *digest)
{
    struct digest_thread *thread = calloc(1, sizeof *thread);
    sigset_t all, before;
    if (!thread)
        return NULL;
    thread->digest = digest;
    pthread_mutex_init(&thread->lock, NULL); /* without attributes neither fails on Linux */
    pthread_cond_init(&thread->changed, NULL);
    sigfillset(&all); /* signals are for the thread that reads: Ctrl-C must break its read(2) */
    pthread_sigmask(SIG_SETMASK, &all, &before);
    int code = pthread_create(&thread->thread, NULL, work, thread);
    pthread_sigmask(SIG_SETMASK, &before, NULL);
    if (code) {
        pthread_cond_destroy(&thread->changed);
        pthread_mutex_destroy(&thread->lock);
        free(thread);
        return NULL;
    }
    return thread;
}

/* The lock is held. */
static void wait_for_run(struct digest_thread *thread)
{
    while (thread->data)
        pthread_cond_wait(&thread->changed, &thread->lock);
}

bool digest_thread_add(struct digest_thread *thread, const void *data, size_t length)
{
    pthread_mutex_lock(&thread->lock);
    wait_for_run(thread);
    bool good = !thread->failed;
    if (good && length > 0) {
        thread->data = data;
        thread->length = length;
        pthread_cond_broadcast(&thread->changed);
    }
    pthread_mutex_unlock(&thread->lock);
    return good;
}

bool digest_thread_wait(struct digest_thread *thread)
{
    pthread_mutex_lock(&thread->lock);
    wait_for_run(thread);
    bool good = !thread->failed;
    pthread_mutex_unlock(&thread->lock);
    return good;
}

void digest_thread_close(struct digest_thread *thread)
{
    if (!thread)
        return;
    pthread_mutex_lock(&thread->lock);
    wait_for_run(thread);
    thread->ending = true;
    pthread_cond_broadcast(&thread->changed);
    pthread_mutex_unlock(&thread->lock);
    pthread_join(thread->thread, NULL);
    pthread_cond_destroy(&thread->changed);
    pthread_mutex_destroy(&thread->lock);
    free(thread);
}
