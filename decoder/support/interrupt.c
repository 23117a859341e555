/* See interrupt.h. */
#include "interrupt.h"

#include <signal.h>

static volatile sig_atomic_t asked;

static void on_signal(int number)
{
    (void)number;
    asked = 1;
}

void interrupt_watch(void)
{
    static const int signals[] = {SIGINT, SIGTERM, SIGHUP};
    /* No SA_RESTART: a read that waits for a silent pipe must come back. */
    struct sigaction action = {.sa_handler = on_signal, .sa_flags = SA_RESETHAND}, before;
    (void)sigemptyset(&action.sa_mask);
    asked = 0;
    for (size_t i = 0; i < sizeof signals / sizeof signals[0]; i++)
        if (sigaction(signals[i], NULL, &before) == 0 && before.sa_handler != SIG_IGN)
            (void)sigaction(signals[i], &action, NULL);
}

bool interrupt_asked(void)
{
    return asked != 0;
}
