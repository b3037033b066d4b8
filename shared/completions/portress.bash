# bash completion for portress(1): verbs, their options, door names of the configuration.

_portress_doors() {
    sed -n '/^doors:/,/^[^[:space:]#]/s/^ \{1,8\}\([A-Za-z0-9_][A-Za-z0-9_-]*\):[[:space:]]*\(#.*\)\{0,1\}$/\1/p' \
        "${1:-/etc/portress/portress.yaml}" 2>/dev/null
}

_portress() {
    local cur=${COMP_WORDS[COMP_CWORD]} prev=${COMP_WORDS[COMP_CWORD - 1]} verb='' config='' word i
    local -A options=(
        [begin]="--yes --service --style --keyholder --host --keycard --always --admits-connection --trial --keep --console --replace"
        [check]="--json"
        [rules]="--json"
        [guard]="--trial --keep"
        [unguard]=""
        [run]="--debug --last-good"
        [status]="--door --source --keyholder --limit --sort --json --json-lines --watch --fleet"
        [follow]="--event --door --knocks --json --json-lines"
        [admit]="--for --json"
        [dismiss]="--door --source --keyholder --limit --sort --yes --json --json-lines"
        [enrol]="--door --style --until --hours --host --keycard --phone --paper --page --json"
        [unenrol]="--json"
        [keyholders]="--door --source --keyholder --limit --sort --json --json-lines --to-fleet"
        [knock]="--to --leave --pause --offset --print --quiet --verbose"
        [trace]="--source --host --zone --keyholders --limit --json"
        [why]="--json"
        [history]="--door --source --keyholder --limit --sort --since --until --json --json-lines --csv --chart"
        [strength]="--sources --rate --link --details --json --chart"
        [doctor]="--json --json-lines"
    )
    local common="--config --socket --state --help"

    COMPREPLY=()
    for ((i = 1; i < COMP_CWORD; i++)); do
        word=${COMP_WORDS[i]}
        case $word in
        --config) config=${COMP_WORDS[i + 1]} ;;
        -*) ;;
        *) [[ -z $verb && -v options[$word] ]] && verb=$word ;;
        esac
    done

    case $prev in
    --config | --chart | --keycard | --keyholders)
        compopt -o filenames 2>/dev/null
        mapfile -t COMPREPLY < <(compgen -f -- "$cur")
        return
        ;;
    --socket)
        compopt -o filenames 2>/dev/null
        mapfile -t COMPREPLY < <(compgen -f -- "$cur")
        return
        ;;
    --state)
        compopt -o filenames 2>/dev/null
        mapfile -t COMPREPLY < <(compgen -d -- "$cur")
        return
        ;;
    --door)
        mapfile -t COMPREPLY < <(compgen -W "$(_portress_doors "$config")" -- "$cur")
        return
        ;;
    --style)
        mapfile -t COMPREPLY < <(compgen -W "derived authenticator" -- "$cur")
        return
        ;;
    --for | --trial)
        mapfile -t COMPREPLY < <(compgen -W "60s 10m 1h 8h 1d" -- "$cur")
        return
        ;;
    esac

    if [[ -z $verb ]]; then
        mapfile -t COMPREPLY < <(compgen -W "${!options[*]} --help --version" -- "$cur")
    elif [[ $cur == -* ]]; then
        mapfile -t COMPREPLY < <(compgen -W "${options[$verb]} $common" -- "$cur")
    elif [[ $verb == admit || $verb == dismiss ]]; then
        mapfile -t COMPREPLY < <(compgen -W "$(_portress_doors "$config")" -- "$cur")
    elif [[ $verb == trace ]]; then
        compopt -o filenames 2>/dev/null
        mapfile -t COMPREPLY < <(compgen -f -- "$cur")
    fi
}

complete -F _portress portress
