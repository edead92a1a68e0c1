# Writes manual pages and shell completions from the program's own option tables:
#   cmake -DPROGRAM=... -DFOLDER=... -P pages.cmake
# PROGRAM may be a list: an emulator, its options, and the program.
function(page file)
  execute_process(COMMAND ${PROGRAM} help ${ARGN} OUTPUT_FILE ${FOLDER}/${file}
                  RESULT_VARIABLE result)
  if(NOT result EQUAL 0)
    message(FATAL_ERROR "${PROGRAM} help ${ARGN} ended with ${result}")
  endif()
endfunction()

file(REMOVE_RECURSE ${FOLDER})
file(MAKE_DIRECTORY ${FOLDER}/man1 ${FOLDER}/bash ${FOLDER}/zsh ${FOLDER}/fish)
page(man1/stillmount.1 --man)
# The commands are the words at the start of the lines of the overview's SEE ALSO.
file(STRINGS ${FOLDER}/man1/stillmount.1 lines REGEX "^.fBstillmount.-[a-z]+.fR")
foreach(line IN LISTS lines)
  string(REGEX REPLACE "^.fBstillmount.-([a-z]+).fR.*" "\\1" command "${line}")
  page(man1/stillmount-${command}.1 --man ${command})
endforeach()
page(bash/stillmount --completion bash)
page(zsh/_stillmount --completion zsh)
page(fish/stillmount.fish --completion fish)
find_program(GZIP gzip)
if(GZIP)
  file(GLOB pages ${FOLDER}/man1/*.1)
  execute_process(COMMAND ${GZIP} -9nf ${pages})
endif()
