#!/usr/bin/env bash
# A real Slurm on one machine, for tests: one controller, two node daemons, loopback only.
# usage: one-box.sh start DIR PORT | stop DIR | lose DIR NODE | node DIR NODE | away DIR | controller DIR
# As root; needs Debian's slurm-wlm and munge. PORT and the two after it must be free.
# After start: export SLURM_CONF=DIR/slurm.conf
# It has a daemon for credentials of its own, so that nothing depends on how the machine's is. What does not start within a
# minute is told with its logs, never waited for.
set -eu
verb=$1; dir=$(realpath -m "$2"); host=$(hostname -s)
end() { [ -f "$1" ] && kill "${2--TERM}" "$(cat "$1")" 2>/dev/null || true; }
give_up() { echo "$1"; tail -n 20 "$dir"/log/* 2>/dev/null; exit 1; }
# until_is WHAT COMMAND...: waits for it, as long as all of the start may take.
until_is() {
  what=$1; shift
  until "$@" >/dev/null 2>&1; do
    [ $SECONDS -lt 60 ] || give_up "waited in vain for $what"
    sleep 0.1
  done
}
has() { { tr '\0' '\n' < "$1/environ"; } 2>/dev/null | grep -qxF "$2"; }
case $verb in
start)
  port=$3
  mkdir -p "$dir"/{state,spool,log,munge}
  chmod 755 "$dir"
  (umask 077; head -c 128 /dev/urandom > "$dir/munge/key")
  # Forced, as the temporary folder is everybody's.
  munged --force --key-file="$dir/munge/key" --socket="$dir/munge/socket" --pid-file="$dir/munge/pid" \
    --seed-file="$dir/munge/seed" --log-file="$dir/log/munged.log" 2>"$dir/log/munged.start" || give_up "munged does not start"
  credential() { timeout 5 munge --no-input --socket="$dir/munge/socket" | timeout 5 unmunge --socket="$dir/munge/socket"; }
  until_is "credentials of munge" credential
  cat > "$dir/slurm.conf" <<CONF
ClusterName=onebox
SlurmctldHost=$host(127.0.0.1)
AuthType=auth/munge
# What is started again after a lost node waits for as long as credentials last.
AuthInfo=cred_expire=5,socket=$dir/munge/socket
CryptoType=crypto/munge
MpiDefault=none
ProctrackType=proctrack/linuxproc
ReturnToService=2
SlurmctldPidFile=$dir/ctld.pid
SlurmdPidFile=$dir/d.%n.pid
SlurmctldPort=$port
SlurmdSpoolDir=$dir/spool/%n
StateSaveLocation=$dir/state
SlurmUser=root
SlurmdUser=root
SwitchType=switch/none
TaskPlugin=task/none
SchedulerType=sched/backfill
SchedulerParameters=bf_interval=1,sched_min_interval=100000
SelectType=select/cons_tres
SelectTypeParameters=CR_Core_Memory
DefMemPerCPU=900
AccountingStorageType=accounting_storage/none
JobAcctGatherType=jobacct_gather/linux
# A task that takes more memory than it asked for is ended, without control groups, which a container may not have.
JobAcctGatherFrequency=task=1
JobAcctGatherParams=OverMemoryKill
GresTypes=gpu
Licenses=keying:1
JobRequeue=1
SlurmdTimeout=5
KillWait=2
OverTimeLimit=0
SlurmctldLogFile=$dir/log/ctld.log
SlurmdLogFile=$dir/log/d.%n.log
SlurmdParameters=config_overrides
NodeName=n[1-2] NodeHostname=$host NodeAddr=127.0.0.1 Port=[$((port + 1))-$((port + 2))] CPUs=2 RealMemory=2000 Gres=gpu:1 State=UNKNOWN
PartitionName=main Nodes=ALL Default=YES MaxTime=INFINITE State=UP
CONF
  # A file that is there everywhere stands for the card.
  echo "NodeName=n[1-2] Name=gpu File=/dev/null" > "$dir/gres.conf"
  export SLURM_CONF=$dir/slurm.conf
  slurmctld -f "$SLURM_CONF" || give_up "the controller does not start"
  controller() { timeout 10 scontrol ping | grep -q UP; }
  idle() { [ "$(timeout 10 sinfo -h -o %D -t idle)" = 2 ]; }
  until_is "the controller" controller
  for node in n1 n2; do slurmd -f "$SLURM_CONF" -N $node || give_up "$node does not start"; done
  until_is "two idle nodes" idle ;;
stop)
  for p in "$dir"/d.n1.pid "$dir"/d.n2.pid "$dir"/ctld.pid "$dir"/munge/pid; do end "$p" -KILL; done
  # What steps still run was started with the configuration's name.
  for p in /proc/[0-9]*; do
    [ "${p#/proc/}" = $$ ] && continue
    if has "$p" "SLURM_CONF=$dir/slurm.conf"; then kill -KILL "${p#/proc/}" 2>/dev/null || true; fi
  done ;;
lose)
  # The daemon of a node, the steps' watchers, then their tasks: what is left of a machine whose power went says nothing.
  end "$dir/d.$3.pid" -KILL
  tasks=
  for p in /proc/[0-9]*; do
    if has "$p" "SLURMD_NODENAME=$3" && has "$p" "SLURM_CONF=$dir/slurm.conf"; then tasks="$tasks ${p#/proc/}"; fi
  done
  for p in $tasks; do
    above=$(awk '{ print $4 }' "/proc/$p/stat" 2>/dev/null || true)
    case $(cat "/proc/${above:-0}/comm" 2>/dev/null || true) in slurmstepd*) kill -KILL "$above" 2>/dev/null || true ;; esac
  done
  for p in $tasks; do kill -KILL "$p" 2>/dev/null || true; done ;;
node) export SLURM_CONF=$dir/slurm.conf; slurmd -f "$SLURM_CONF" -N "$3" ;;
controller) export SLURM_CONF=$dir/slurm.conf; slurmctld -f "$SLURM_CONF" ;;
away) end "$dir/ctld.pid" -KILL ;;
*) echo "usage: one-box.sh start DIR PORT | stop DIR | lose DIR NODE | node DIR NODE | away DIR | controller DIR" >&2; exit 2 ;;
esac
