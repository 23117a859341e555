/* See privileges.h. */
#define _GNU_SOURCE /* getresuid, setresuid */
#include "privileges.h"

#include <errno.h>
#include <grp.h>
#include <linux/capability.h>
#include <pwd.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/syscall.h>
#include <sys/types.h>
#include <unistd.h>

struct capabilities {
    struct __user_cap_header_struct header;
    struct __user_cap_data_struct data[_LINUX_CAPABILITY_U32S_3];
};

static bool read_capabilities(struct capabilities *capabilities)
{
    *capabilities = (struct capabilities){.header = {.version = _LINUX_CAPABILITY_VERSION_3}};
    return syscall(SYS_capget, &capabilities->header, capabilities->data) == 0;
}

bool privileges_may_set_links(void)
{
    struct capabilities now;
    return read_capabilities(&now) &&
           (now.data[CAP_TO_INDEX(CAP_NET_ADMIN)].effective & CAP_TO_MASK(CAP_NET_ADMIN)) != 0;
}

static int refuse(struct diagnostics *diagnostics, const char *what)
{
    diagnostics_say(diagnostics, SEVERITY_ERROR, "taretrace-record",
                    "privileges could not be given up: %s (%s); nothing is recorded with them, bring the link up "
                    "beforehand and run without", what, strerror(errno));
    return EXIT_OUR_FAULT;
}

/* A user or group number of the environment, which only root could have set when we are root. */
static bool number_in(const char *name, uint32_t *number)
{
    const char *text = getenv(name);
    uint64_t value = 0;
    if (!text || !*text || strlen(text) > 10)
        return false;
    for (; *text; text++) {
        if (*text < '0' || *text > '9')
            return false;
        value = value * 10 + (uint64_t)(*text - '0');
    }
    *number = (uint32_t)value;
    return value < UINT32_MAX; /* the last one means "unchanged" to the kernel */
}

/* Who to become: the caller of sudo, else the real user. False when sudo's variables make no sense. */
static bool target(uid_t *user, gid_t *group)
{
    uint32_t number;
    *user = getuid();
    *group = getgid();
    if (*user != 0 || !getenv("SUDO_UID"))
        return true;
    if (!number_in("SUDO_UID", &number))
        return false;
    *user = number;
    if (!number_in("SUDO_GID", &number))
        return false;
    *group = number;
    return true;
}

static bool take_groups(uid_t user, gid_t group)
{
    const struct passwd *entry = getpwuid(user);
    if (entry)
        return initgroups(entry->pw_name, group) == 0;
    return setgroups(1, &group) == 0;
}

/* Needs CAP_SETPCAP, which file capabilities do not bring; no_new_privs does the same for exec. */
static void empty_bounding_set(void)
{
    for (int bit = 0; bit < 64; bit++)
        (void)prctl(PR_CAPBSET_DROP, bit, 0, 0, 0);
}

static bool drop_capabilities(void)
{
    struct capabilities none = {.header = {.version = _LINUX_CAPABILITY_VERSION_3}};
    (void)prctl(PR_CAP_AMBIENT, PR_CAP_AMBIENT_CLEAR_ALL, 0, 0, 0);
    return syscall(SYS_capset, &none.header, none.data) == 0 && prctl(PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0) == 0;
}

static bool is_dropped(uid_t user, gid_t group)
{
    struct capabilities now;
    uid_t real, effective, saved;
    gid_t real_group, effective_group, saved_group;
    if (getresuid(&real, &effective, &saved) != 0 || getresgid(&real_group, &effective_group, &saved_group) != 0)
        return false;
    if (real != user || effective != user || saved != user || real_group != group || effective_group != group ||
        saved_group != group)
        return false;
    if (!read_capabilities(&now))
        return false;
    for (int i = 0; i < _LINUX_CAPABILITY_U32S_3; i++)
        if (now.data[i].effective || now.data[i].permitted || now.data[i].inheritable)
            return false;
    errno = 0;
    return user == 0 || (setresuid(0, 0, 0) != 0 && errno == EPERM);
}

int privileges_drop(struct diagnostics *diagnostics)
{
    uid_t user;
    gid_t group;
    if (!target(&user, &group)) {
        errno = EINVAL;
        return refuse(diagnostics, "SUDO_UID and SUDO_GID are no numbers");
    }
    empty_bounding_set();
    if (geteuid() == 0 && user != 0 && !take_groups(user, group))
        return refuse(diagnostics, "the user's groups could not be taken");
    if (setresgid(group, group, group) != 0 || setresuid(user, user, user) != 0)
        return refuse(diagnostics, "the calling user could not be become");
    if (!drop_capabilities())
        return refuse(diagnostics, "capabilities stayed");
    if (!is_dropped(user, group)) {
        errno = errno ? errno : EPERM;
        return refuse(diagnostics, "they were still there when read back");
    }
    return 0;
}
